"""What the report says of a stage that is a plug-in."""

import pytest

from chainweigh.ranking.results import ResolvedPlugin, ResolvedStage
from chainweigh.report.settings_text import plugin_text


def said_of(alignment, **more):
    plugin = ResolvedPlugin(
        "clap", "org.example.tilt", "Tilt", "Example", "1.0", "0123", 64, 300, alignment, (), **more
    )
    return plugin_text(ResolvedStage("clap:org.example.tilt", (), False, plugin))


@pytest.mark.parametrize(
    ("alignment", "late"),
    [
        ("agreed", "300 frames late, as it reports"),
        ("corrected", "reports 64 frames of latency, measured and corrected to 300"),
        ("unverified", "reports 64 frames of latency, unverified"),
    ],
)
def test_it_says_how_late_the_plug_in_is_and_how_sure_that_is(alignment, late):
    assert said_of(alignment) == f"CLAP plug-in Tilt 1.0: {late}; trust: not tested"


def test_it_says_which_preset_was_loaded_and_why_the_plug_in_is_not_trusted():
    said = said_of(
        "agreed",
        preset="presets/01/soft.state",
        verdict="do not trust",
        verdict_reasons=("drifts",),
    )
    assert said.startswith("preset presets/01/soft.state; CLAP plug-in Tilt 1.0: ")
    assert said.endswith("; trust: do not trust: drifts")
