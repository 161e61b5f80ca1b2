"""session/settings.md."""

from dataclasses import replace

from chainweigh.report.settings_sheet import settings_sheet
from chainweigh.report.settings_text import find_candidate


def with_gain(results, make, written, rendered, relative=False):
    stage = make.stages()[1]
    setting = replace(stage.settings[0], written=written, rendered=rendered, relative=relative)
    first = results.comparisons[0]
    candidate = replace(first.candidates[0], stages=(replace(stage, settings=(setting,)),))
    return replace(results, comparisons=(replace(first, candidates=(candidate,)),))


def test_every_chosen_chain_and_the_master_have_a_part(results):
    heads = [line for line in settings_sheet(results).splitlines() if line.startswith("## ")]
    assert heads == ["## drums: Firm clip", "## bass: Rounded tops", "## Master: Clip, then limit"]
    assert (
        "Rendered, match gain included, in drums.wav beside this sheet."
        in settings_sheet(results).splitlines()
    )


def test_settings_are_absolute_with_unit_and_origin(results, make):
    text = settings_sheet(with_gain(results, make, "peak - 3 dB", -3.51, relative=True))
    assert "   - gain: -3.51 dB (the chain says peak - 3 dB)" in text.splitlines()


def test_a_default_is_said_to_be_one(results, make):
    assert "   - gain: 0.00 dB (default)" in settings_sheet(with_gain(results, make, None, 0.0))


def test_rendered_text_and_settings_of_unknown_effects_stand_as_they_are(results):
    text = settings_sheet(results)
    assert "   - knee: 2.00 dB" in text.splitlines()
    assert "   - oversample: 16 (default)" in text.splitlines()


def test_the_match_gain_says_which_way_to_turn(results):
    up = settings_sheet(results)
    assert "Match gain +1.23 dB: turn the chain's output up" in up
    first = results.comparisons[0]
    louder = replace(first.candidates[0], match_gain_db=-2.5)
    run = replace(results, comparisons=(replace(first, candidates=(louder,)),))
    assert "Match gain -2.50 dB: turn the chain's output down" in settings_sheet(run)


def test_a_chain_that_was_not_compared_shows_the_settings_of_the_set(results):
    text = settings_sheet(replace(results, comparisons=()))
    assert "- clip: ceiling -3.51 dBFS" in text.splitlines()
    assert "- limit: ceiling -1.00 dBFS" in text.splitlines()


def test_bypass_is_nothing_to_set(results):
    chosen = replace(
        results.chosen, choices=(replace(results.chosen.choices[1], candidate="bypass"),)
    )
    assert "Nothing to set: leave it as it is." in settings_sheet(replace(results, chosen=chosen))


def test_names_cannot_bring_their_own_markdown(results):
    source = replace(results.source, title="# <b>*x*</b>\n## y")
    first = settings_sheet(replace(results, source=source)).splitlines()[0]
    assert first == r"# \# \<b\>\*x\*\</b\> \#\# y: settings to dial in"


def test_the_ceiling_of_the_master_is_stated(results):
    assert settings_sheet(results).endswith("True-peak ceiling of the master: -1.00 dBTP.\n")


def test_the_output_gain_of_the_master_goes_from_the_chain_to_the_delivered_file(results):
    run = replace(results, chosen=replace(results.chosen, delivery_gain_db=5.0))
    match_gain_db = find_candidate(run, "master", run.chosen.master).match_gain_db
    assert f"Output gain {match_gain_db + 5.0:+.2f} dB, match gain included" in settings_sheet(run)
