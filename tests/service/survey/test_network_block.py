"""The network in blocks is the network: numpy's whole numbers, and the classifier's scores."""

from __future__ import annotations

import os
import subprocess
import sys

import numpy as np
import pytest
from survey_games import random_skeletons

from pawnlore.models.classifier import OUTPUT_STEP, UNIT_STEP, shipped_classifier
from pawnlore.models.sampling import game_skeletons
from pawnlore.service.survey.network_block import LANES, block_scores, packed_weights, pairs_of
from pawnlore.service.survey.quick_model import quick_model
from pawnlore.service.survey.quick_verdict import _find_cores, network_scores
from pawnlore.structures.skeleton import canonical_batch


@pytest.mark.parametrize(("units", "kinds"), [(192, 135), (3, 1), (7, 20), (64, 6), (1, 2)])
def test_scores_are_the_sums_of_products(units: int, kinds: int) -> None:
    dice = np.random.default_rng(units)
    active = np.zeros((LANES, units + units % 2), dtype=np.int16)
    active[:, :units] = dice.integers(0, 32_000, (LANES, units)) // units
    weights = dice.integers(-32_768, 32_768, (kinds, units)).astype(np.int16)
    bias = dice.integers(-(10**6), 10**6, kinds).astype(np.int32)
    packed, packed_bias = packed_weights(weights, bias)
    scores = np.full((*packed_bias.shape, LANES), 77, dtype=np.int32)
    block_scores(np.ascontiguousarray(pairs_of(active).T), packed, packed_bias, scores)
    wanted = active[:, :units].astype(np.int64) @ weights.T.astype(np.int64) + bias
    assert np.array_equal(scores.reshape(-1, LANES)[:kinds].T, wanted)
    assert not scores.reshape(-1, LANES)[kinds:].any()


@pytest.mark.parametrize("count", [1, 15, 16])
def test_a_block_has_the_classifiers_scores(count: int) -> None:
    classifier = shipped_classifier()
    model = quick_model(classifier)
    game = game_skeletons().masks
    masks = np.concatenate([game[:: game.shape[0] // 400], random_skeletons(400, 8)])
    canonical, _, _ = canonical_batch(masks)
    for begin in range(0, canonical.shape[0], count):
        part = canonical[begin : begin + count]
        model.masks[: part.shape[0]] = part
        found = network_scores(part.shape[0], model)[: len(classifier.classes), : part.shape[0]].T
        wanted = classifier.scores(part)
        assert np.array_equal(found * np.float64(UNIT_STEP * OUTPUT_STEP), wanted)
        assert np.array_equal(model.best[: part.shape[0]], found[:, 1:].max(axis=1))


@pytest.mark.slow
@pytest.mark.skipif(os.uname().machine != "x86_64", reason="these are names of x86 processors")
@pytest.mark.parametrize("processor", ["x86-64", "haswell"])
def test_older_processors_have_the_same_scores(processor: str) -> None:
    """The code that is made for processors without the newest instructions, where it can run."""
    with open("/proc/cpuinfo") as told:
        flags = told.read().split()
    if processor == "haswell" and "avx2" not in flags:
        pytest.skip("this processor is older still")
    environment = {
        # Without what the tests around this one were asked for, as to count what they cover.
        **{name: value for name, value in os.environ.items() if name != "PYTEST_ADDOPTS"},
        "NUMBA_CPU_NAME": processor,
        "NUMBA_CPU_FEATURES": "",
        "PAWNLORE_COMPILE_CACHE": "0",
    }
    wanted = ["-q", "-p", "no:cacheprovider", "-k", "sums_of_products and 192", __file__]
    ran = subprocess.run(
        [sys.executable, "-m", "pytest", *wanted], env=environment, capture_output=True, text=True
    )
    assert ran.returncode == 0, ran.stdout + ran.stderr


def test_cores_are_the_same_in_several_words() -> None:
    """Conditions that fit in one word are found by a way of their own: the other one agrees."""
    model = quick_model(shipped_classifier())
    assert model.needs.shape[0] == 1
    low = np.uint64(0xFFFF_FFFF)
    halves = [low, ~low]
    game = game_skeletons().masks
    masks = np.concatenate([game[:: game.shape[0] // 3000], random_skeletons(500, 8)])
    found = []
    for words in ([~np.uint64(0)], halves):
        codes = np.empty(masks.shape[0], dtype=np.int32)
        _find_cores(
            np.ascontiguousarray(masks),
            np.arange(masks.shape[0]),
            np.concatenate([model.bits & word for word in words], axis=3),
            np.concatenate([model.needs & word for word in words]),
            np.concatenate([model.holders & word for word in words]),
            model.shared,
            np.zeros((len(words), 2), dtype=np.uint64),
            np.zeros_like(model.lacks),
            codes,
        )
        found.append(codes)
    assert (found[0] >= 0).sum() > 500 and (found[0] < 0).sum() > 500
    assert np.array_equal(found[0], found[1])
