"""The chance that an own family is right: the curve, how it is fitted, and what it is worth."""

from __future__ import annotations

import numpy as np
import pytest

from pawnlore.models.chance_fit import (
    LessonPairs,
    chance_pairs,
    fit_chance,
    measure_chance,
    near_share,
)
from pawnlore.models.definitions import DEFINITIONS
from pawnlore.models.own_chance import ODDS, SLOPE, chance_of, curve
from pawnlore.models.teaching_exam import TeachingExam

LEVELS = np.arange(DEFINITIONS + 1)


def drawn(rank: int, odds: float, slope: float) -> LessonPairs:
    """A lesson in which families are right exactly as often as a curve says."""
    count = np.random.default_rng(rank).integers(1, 400, LEVELS.size).astype(np.float64)
    count[0] = 0
    return LessonPairs(rank, 5, 0.1, count, count * curve(LEVELS, odds, slope))


def test_more_definitions_mean_a_better_chance_and_none_means_none() -> None:
    chances = chance_of(LEVELS / DEFINITIONS)
    assert chances[0] == 0 and (np.diff(chances) > 0).all() and chances[-1] < 1
    assert np.allclose(chances, curve(LEVELS, ODDS, SLOPE), atol=1e-5)


@pytest.mark.parametrize(("odds", "slope"), [(1.2, 1.0), (-0.7, 0.6), (0.0, 1.6)])
def test_the_fit_finds_the_curve_that_was_drawn_from(odds: float, slope: float) -> None:
    pairs = [drawn(rank, odds, slope) for rank in range(10)]
    assert fit_chance(pairs) == pytest.approx((odds, slope), abs=0.02)
    found = measure_chance(pairs, lambda levels: curve(levels, odds + 2, slope))
    assert found.after < 0.005 < 0.1 < found.before
    assert found.loss_after < found.loss_before
    assert (found.lessons, found.skeletons) == (10, sum(one.count.sum() for one in pairs))


def test_curves_are_measured_on_families_that_they_were_not_fitted_on() -> None:
    # One family is right the other way round: what was fitted on the rest must miss it.
    odd = drawn(0, -4.0, 1.0)
    pairs = [odd, *(drawn(rank, 4.0, 1.0) for rank in range(1, 10))]
    alone = measure_chance(pairs[1:], lambda levels: curve(levels, 4.0, 1.0)).after
    assert measure_chance(pairs, lambda levels: curve(levels, 4.0, 1.0)).after > alone + 0.05


def test_positions_near_a_core_are_seldom_called_by_its_name() -> None:
    assert 0.05 < near_share() < 0.2


@pytest.mark.slow
def test_what_is_said_is_about_as_often_right() -> None:
    exam = TeachingExam()
    pairs = chance_pairs(exam, range(2, 68, 17), counts=(5,))
    found = measure_chance(pairs, lambda levels: curve(levels, ODDS, SLOPE))
    # Of four families only; on all of them the error is 0.015.
    assert found.lessons == 4 and found.before < 0.08
