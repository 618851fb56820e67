"""Classifying distinct skeletons against a plain logistic regression on pawn bits.

Prints the rate of the whole classifier (cores, network, calibration, runner-up)
as a ratio to `LogisticRegression.predict_proba` on the 128 raw pawn bits, with
the same classes, both from the same masks in the same run. At least 0.5 is
wanted. Run: ``python tests/benchmarks/benchmark_classifying.py``.
"""

from __future__ import annotations

import statistics
import time
import warnings
from collections.abc import Callable

import numpy as np
import numpy.typing as npt
from sklearn.exceptions import ConvergenceWarning
from sklearn.linear_model import LogisticRegression

from pawnlore.models.classifier import shipped_classifier
from pawnlore.models.sampling import game_skeletons
from pawnlore.structures.skeleton import Masks

REPEATS = 15


def pawn_bits(masks: Masks) -> npt.NDArray[np.float64]:
    octets = np.ascontiguousarray(masks).view(np.uint8).reshape(masks.shape[0], 16)
    return np.unpackbits(octets, axis=1, bitorder="little").astype(float)


def timed(work: Callable[[], object]) -> float:
    begun = time.perf_counter()
    work()
    return time.perf_counter() - begun


def measure() -> tuple[float, float]:
    """The median ratio of the rates, and the classifier's rows a second."""
    classifier = shipped_classifier()
    masks = game_skeletons().masks
    classes = len(classifier.classes)
    target = np.arange(4000) % classes
    with warnings.catch_warnings():
        # What it has learnt does not matter to how long it takes.
        warnings.simplefilter("ignore", ConvergenceWarning)
        plain = LogisticRegression(max_iter=2).fit(pawn_bits(masks[:4000]), target)
    ratios, ours = [], []
    for _ in range(REPEATS):
        baseline = timed(lambda: plain.predict_proba(pawn_bits(masks)))
        mine = timed(lambda: classifier.classify(masks))
        ratios.append(baseline / mine)
        ours.append(masks.shape[0] / mine)
    return statistics.median(ratios), statistics.median(ours)


if __name__ == "__main__":
    ratio, rate = measure()
    print(f"classifier at {ratio:.2f} times the rate of plain logistic regression")
    print(f"({rate:,.0f} distinct skeletons a second here)")
