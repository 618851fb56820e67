"""Calibration: probabilities that mean what they say, and where to stop naming."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from pawnlore.models.classes import NO_FAMILY
from pawnlore.models.classifier import Classifier
from pawnlore.models.labels import Labels
from pawnlore.structures.verdict import NONE

THRESHOLDS = np.round(np.arange(0.30, 0.91, 0.02), 2)
"""The thresholds that are tried."""

_MAY_COST = 0.02


@dataclass(frozen=True)
class Calibration:
    """What was fitted on held-out labels; see `Classifier`."""

    sharpness: float
    none_shift: float
    threshold: float


def calibrate(rough: Classifier, labels: Labels) -> Calibration:
    """Fit sharpness, shift and threshold on labelled positions off the core.

    Sharpness and shift minimise the log loss. The threshold is the lowest one
    that costs at most two right verdicts in a hundred against the best: a
    student is better served by a name that may be wrong than by none.
    """
    off_core = np.flatnonzero(rough.matcher.match(labels.masks).family == NONE)
    chosen = labels.take(off_core)
    target = rough.classes.number(chosen.family, chosen.holder)
    best = (np.inf, 1.0, 0.0)
    for sharpness in np.round(np.arange(0.30, 1.55, 0.05), 2):
        for shift in np.round(np.arange(-1.5, 1.55, 0.1), 2):
            tried = replace(rough, sharpness=float(sharpness), none_shift=float(shift))
            chances = tried.probabilities(chosen.masks)
            loss = -np.log(np.maximum(chances[np.arange(len(chosen)), target], 1e-4)).mean()
            best = min(best, (float(loss), float(sharpness), float(shift)))
    _, sharpness, shift = best
    fitted = replace(rough, sharpness=sharpness, none_shift=shift)
    right = [int((decide(fitted, chosen, threshold) == target).sum()) for threshold in THRESHOLDS]
    enough = max(right) - _MAY_COST * len(chosen)
    lowest = next(t for t, count in zip(THRESHOLDS, right, strict=True) if count >= enough)
    return Calibration(sharpness, shift, float(lowest))


def decide(classifier: Classifier, labels: Labels, threshold: float) -> npt.NDArray[np.int16]:
    """The network's class for each labelled position at a threshold, (N,)."""
    chances = np.round(classifier.probabilities(labels.masks), 5)
    best = chances.argmax(axis=1)
    low = chances[np.arange(len(labels)), best] < threshold
    return np.where(low, NO_FAMILY, best).astype(np.int16)
