"""The range of prices as a sentence."""

from dataclasses import replace

from chainweigh.report.price import price_sentence


def test_a_range_over_searched_settings_says_that_they_were_found_at_the_price_charged(results):
    comparison = results.comparisons[0]
    assert price_sentence(comparison, results.settings).endswith("added distortion.")
    first, *others = comparison.candidates
    searched = replace(first, searches=("found",))
    run = replace(comparison, candidates=(searched, *others))
    said = price_sentence(run, results.settings)
    assert said.endswith("added distortion; searched settings stay as found for it.")
