"""Whole sets: a beam against every set, on made-up scores."""

import random
from itertools import product

import pytest

from chainweigh.ranking.sets import EXHAUSTIVE_SETS, n_sets, score_beam, score_every_set


def space(seed):
    """Places with choices, and scores in which choices help or hinder each other."""
    rng = random.Random(seed)
    counts = rng.choice([(4, 4, 4), (2, 3, 4), (4, 3), (8, 8), (3, 3, 3)])
    options = {f"group {i}": [f"{i}.{k}" for k in range(n)] for i, n in enumerate(counts)}
    alone = {choice: rng.uniform(-1, 1) for choices in options.values() for choice in choices}
    together = {}

    def score(chosen):
        pairs = [(a, b) for a, b in product(chosen, chosen) if a < b]
        for pair in pairs:
            together.setdefault(pair, random.Random(f"{seed}{pair}").uniform(-1, 1))
        return sum(alone[c] for c in chosen) + sum(together[pair] for pair in pairs)

    return options, score


@pytest.mark.parametrize("seed", range(20))
def test_a_beam_finds_the_best_set_of_a_space_small_enough_to_weigh_every_one(seed):
    options, score = space(seed)
    assert n_sets(options) <= EXHAUSTIVE_SETS
    every = score_every_set(options, score)
    beam = score_beam(options, score, width=16)
    assert len(every) == n_sets(options)
    assert max(every, key=every.get) == max(beam, key=beam.get)
    assert all(every[chosen] == found for chosen, found in beam.items())


def test_a_beam_weighs_few_sets_of_a_large_space():
    options = {f"group {i}": [f"{i}.{k}" for k in range(6)] for i in range(6)}
    best = ("0.3", "1.0", "2.5", "3.1", "4.4", "5.2")
    found = score_beam(
        options, lambda chosen: sum(c == b for c, b in zip(chosen, best, strict=True))
    )
    assert len(found) < n_sets(options) / 50
    assert max(found, key=found.get) == best
