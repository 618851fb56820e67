"""The chance that an own family is right, from the share of its definitions that are met."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from pawnlore.models.definitions import DEFINITIONS

ODDS = 1.32
"""The logarithm of the odds that a family is right where half of its definitions are met.

It and `SLOPE` were fitted by `pawnlore.models.chance_fit`, which tells how and prints
them anew; fit again after a change of how families are learnt."""

SLOPE = 1.09
"""By how much these odds rise with the odds that a definition is met."""

_DECIMALS = 5


def chance_of(share: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """The chance that a family is right, from the share of its definitions that are met.

    A family from few examples is drawn too narrow more often than too wide, so
    that half of the definitions means more than an even chance. On families that
    the curve was not fitted on, the expected calibration error is 0.015.

    >>> chance_of(np.array([0.0, 0.2, 0.5, 1.0])).round(2).tolist()
    [0.0, 0.46, 0.79, 1.0]
    """
    met = np.asarray(share, dtype=np.float64) * DEFINITIONS
    return np.asarray(np.round(curve(met, ODDS, SLOPE), _DECIMALS), dtype=np.float64)


def curve(met: npt.NDArray[Any], odds: float, slope: float) -> npt.NDArray[np.float64]:
    """The chance by how many of the definitions are met: a line in log odds.

    Half a definition is added to those that are met and to those that are not,
    so that no finite number of definitions makes sure; none at all means none.
    """
    line = odds + slope * np.log((met + 0.5) / (DEFINITIONS - met + 0.5))
    return np.where(met > 0, 1 / (1 + np.exp(-line)), 0.0)
