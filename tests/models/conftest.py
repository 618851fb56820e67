"""Draws skeletons as the tests of the structures do, and shares one quick training run."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import strategies as st

from pawnlore.models.classifier import Classifier
from pawnlore.models.sampling import game_skeletons
from pawnlore.models.training import quick_plan, train
from pawnlore.structures.skeleton import Skeleton

_GAMES = game_skeletons().masks


def _from_games(row: int, edit: int, square: int) -> Skeleton:
    """A skeleton of a game with one square of one side changed, or none."""
    white, black = (int(mask) for mask in _GAMES[row])
    bit = 1 << square
    if edit == 1 and not black & bit and (white ^ bit).bit_count() <= 8:
        white ^= bit
    elif edit == 2 and not white & bit and (black ^ bit).bit_count() <= 8:
        black ^= bit
    return Skeleton(white, black)


st.register_type_strategy(
    Skeleton,
    st.builds(
        _from_games,
        st.integers(0, _GAMES.shape[0] - 1),
        st.integers(0, 2),
        st.integers(8, 55),
    ),
)


@pytest.fixture(scope="session")
def quick_classifier() -> Classifier:
    """A classifier trained by the quick plan."""
    return train(quick_plan())


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(11)
