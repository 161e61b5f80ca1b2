"""Runs an effect with its defaults, some settings changed."""

import pytest


@pytest.fixture
def run():
    def run_effect(effect, samples, rate_hz=44100, **settings):
        complete = {p.name: p.default for p in effect.parameters} | settings
        assert None not in complete.values()
        return effect.process(samples, rate_hz, complete)

    return run_effect
