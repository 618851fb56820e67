"""Sampled skeletons: they meet cores, cover every family, and repeat from a seed."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from pawnlore.models.sampling import game_skeletons, sample_cores, sample_neighbours
from pawnlore.structures.matcher import shipped_matcher
from pawnlore.structures.skeleton import Skeleton, check_masks, pack
from pawnlore.structures.verdict import BLACK, NONE, WHITE


def test_every_family_is_sampled_for_both_holders() -> None:
    matcher = shipped_matcher()
    masks = check_masks(sample_cores(matcher, np.random.default_rng(3), each=60))
    match = matcher.match(masks)
    assert (match.family != NONE).all()
    for family in matcher.catalogue.families:
        holders = set(match.holder[match.family == family.rank].tolist())
        assert holders if family.shared else {WHITE, BLACK} <= holders, family.id
    assert np.bitwise_count(masks).max() <= 8


def test_sampling_repeats_from_its_seed() -> None:
    matcher = shipped_matcher()
    first = sample_cores(matcher, np.random.default_rng(5), each=8)
    again = sample_cores(matcher, np.random.default_rng(5), each=8)
    other = sample_cores(matcher, np.random.default_rng(6), each=8)
    assert np.array_equal(first, again)
    assert not np.array_equal(first, other)


@given(st.lists(st.from_type(Skeleton), min_size=1, max_size=20), st.integers(0, 99))
def test_neighbours_are_skeletons(skeletons: list[Skeleton], seed: int) -> None:
    base = pack(skeletons)
    near = check_masks(sample_neighbours(base, np.random.default_rng(seed)))
    assert near.shape == base.shape
    # A step moves, takes or loses pawns; it never adds one.
    assert (np.bitwise_count(near).sum(axis=1) <= np.bitwise_count(base).sum(axis=1)).all()


def test_the_games_are_distinct_and_plausible() -> None:
    games = game_skeletons()
    check_masks(games.masks)
    assert np.unique(games.masks, axis=0).shape == games.masks.shape
    assert (games.positions > 0).all()
    # About seven positions in ten between plies 12 and 40 of games meet a core (own count).
    middle = (games.earliest_ply >= 12) & (games.earliest_ply <= 40)
    met = shipped_matcher().match(games.masks[middle]).family != NONE
    share = float(np.average(met, weights=games.positions[middle]))
    assert 0.5 < share < 0.8
