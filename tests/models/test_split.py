"""The split keeps a skeleton and its mirror together, and its parts in proportion."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from pawnlore.models.label_sets import shipped_label_sets
from pawnlore.models.sampling import game_skeletons
from pawnlore.models.split import HELD_OUT, TRAINING, part_of, skeleton_keys
from pawnlore.models.training import build_training_set, learn_judgement, quick_plan
from pawnlore.structures.catalogue import shipped_catalogue
from pawnlore.structures.matcher import shipped_matcher
from pawnlore.structures.skeleton import Skeleton, mirror_batch, pack


@given(st.from_type(Skeleton))
def test_a_mirror_is_in_the_same_part(skeleton: Skeleton) -> None:
    batch = pack([skeleton])
    assert part_of(batch) == part_of(mirror_batch(batch))
    assert skeleton_keys(batch) == skeleton_keys(mirror_batch(batch))


def test_the_parts_are_seven_and_three_in_ten() -> None:
    parts = part_of(game_skeletons().masks)
    shares = [float((parts == part).mean()) for part in (TRAINING, HELD_OUT)]
    assert np.allclose(shares, [0.7, 0.3], atol=0.01)


def test_nothing_that_is_examined_or_calibrated_on_is_learnt_from(
    rng: np.random.Generator,
) -> None:
    matcher = shipped_matcher()
    sets = shipped_label_sets(matcher.catalogue)
    made, _ = build_training_set(quick_plan(), matcher, learn_judgement(matcher, sets), sets, rng)
    learnt = skeleton_keys(made.masks)
    assert not np.isin(learnt, sets.reserved_keys()).any()
    labelled = np.isin(learnt, skeleton_keys(sets.training.masks))
    assert (part_of(made.masks[~labelled]) == TRAINING).all()


def test_no_label_serves_two_ends() -> None:
    sets = shipped_label_sets(shipped_catalogue())
    keys = [skeleton_keys(part.masks) for part in (sets.training, sets.calibration, sets.exam)]
    assert all(len(key) for key in keys)
    for first, second in ((0, 1), (0, 2), (1, 2)):
        assert not np.isin(keys[first], keys[second]).any()
