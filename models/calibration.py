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

_MAY_COST = 0.01


@dataclass(frozen=True)
class Calibration:
    """What was fitted on held-out labels; see `Classifier`."""

    sharpness: float
    none_shift: float
    threshold: float


def calibrate(network: Classifier, labels: Labels) -> Calibration:
    """Fit sharpness, shift and threshold on labelled positions off the core.

    Sharpness and shift minimise the log loss. The threshold is the lowest one
    that costs at most one right verdict in a hundred against the best: a
    student is better served by a name that may be wrong than by none.
    """
    scores, target = _off_core_scores(network, labels)
    sharpness, shift = _fit(scores, target)
    chances = _chances(scores, sharpness, shift)
    right = [int((_named(chances, threshold)[0] == target).sum()) for threshold in THRESHOLDS]
    enough = max(right) - _MAY_COST * target.size
    lowest = next(t for t, count in zip(THRESHOLDS, right, strict=True) if count >= enough)
    return Calibration(sharpness, shift, float(lowest))


def calibrated_afresh(
    network: Classifier, labels: Labels, *, folds: int = 5
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.bool_]]:
    """Each position's probability by a calibration fitted without it, and whether it is right.

    The positions are dealt into ``folds`` by a fixed seed; each fold is judged
    by what was fitted on the others, so that all of them can be measured on.
    """
    scores, target = _off_core_scores(network, labels)
    fold = np.random.default_rng(0).permutation(target.size) % folds
    probability, right = np.zeros(target.size), np.zeros(target.size, dtype=bool)
    for number in range(folds):
        there, here = np.flatnonzero(fold != number), np.flatnonzero(fold == number)
        chances = _chances(scores[here], *_fit(scores[there], target[there]))
        answer, probability[here] = _named(chances, network.threshold)
        right[here] = answer == target[here]
    return probability, right


def _off_core_scores(
    network: Classifier, labels: Labels
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.intp]]:
    """Uncalibrated log chances (N, classes) and the right classes (N,)."""
    chosen = labels.take(np.flatnonzero(network.matcher.match(labels.masks).family == NONE))
    plain = replace(network, sharpness=1.0, none_shift=0.0).probabilities(chosen.masks)
    target = network.classes.number(chosen.family, chosen.holder).astype(np.intp)
    return np.log(np.maximum(plain, 1e-30)), target


def _chances(
    scores: npt.NDArray[np.float64], sharpness: float, shift: float
) -> npt.NDArray[np.float64]:
    odds = scores * sharpness
    odds[:, NO_FAMILY] += shift
    odds = np.exp(odds - odds.max(axis=1, keepdims=True))
    chances: npt.NDArray[np.float64] = odds / odds.sum(axis=1, keepdims=True)
    return chances


def _fit(scores: npt.NDArray[np.float64], target: npt.NDArray[np.intp]) -> tuple[float, float]:
    """The sharpness and shift of the least log loss, on a grid."""
    rows = np.arange(target.size)
    tried = (
        (
            float(-np.log(np.maximum(_chances(scores, a, b)[rows, target], 1e-6)).mean()),
            float(a),
            float(b),
        )
        for a in np.round(np.arange(0.20, 1.25, 0.05), 2)
        for b in np.round(np.arange(-1.0, 1.05, 0.1), 2)
    )
    _, sharpness, shift = min(tried)
    return sharpness, shift


def _named(
    chances: npt.NDArray[np.float64], threshold: float
) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.float64]]:
    """The likeliest family where it reaches the threshold, else none; and its chance."""
    rows = np.arange(chances.shape[0])
    family = 1 + chances[:, 1:].argmax(axis=1)
    answer = np.where(chances[rows, family] < threshold, NO_FAMILY, family)
    return answer, chances[rows, answer]
