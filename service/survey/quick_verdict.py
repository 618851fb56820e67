"""Family and holder of one skeleton in compiled code, or the word that it is in doubt.

A collection has new skeletons by the million, so what names them is compiled:
first the cores, then the network where no core is met. It follows
`Classifier.classify` step by step and never disagrees with it, because whatever
comes near a boundary (the threshold, two families that are level, a skeleton
that is its own mirror) is left to the classifier itself.

Weights and activations are whole multiples of small powers of two (see
`pawnlore.models.classifier.whole_steps`), so the network is computed in whole
numbers, exactly. Its first layer is a sum over files: 16 look-ups replace it. A
model of other numbers is always in doubt, and so is one that has more to say than
cores and network, as a taught one with an author's own families.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from pawnlore.models.classes import NO_FAMILY
from pawnlore.models.classifier import CORE_TRUST, HIDDEN_STEP, OUTPUT_STEP, UNIT_STEP, Classifier
from pawnlore.models.network_input import network_input
from pawnlore.service.survey.compiled import Array, compiled
from pawnlore.structures.structure_paths import NO_STRUCTURE
from pawnlore.structures.verdict import BLACK, BOTH, HOLDERS, WHITE

assert NO_FAMILY == 0, "the first class is taken for that of no family"

CORE, DOUBT = 1 << 16, 1 << 17
"""Flags beside a structure code: its core is met; the classifier has to say."""

_DOUBT_MARGIN = 2e-3
_LEVEL = 1e-4
_DEEP = 12.0
_NOTHING = 25.0
_STEPS = 100_000.0
_HOLDERS = len(HOLDERS)
_UNIT_BITS = round(math.log2(UNIT_STEP / HIDDEN_STEP))
_SCORE_STEP = UNIT_STEP * OUTPUT_STEP

_FILE_A = 0x0101_0101_0101_0101
_GATHER = 0x0102_0408_1020_4080
_MIRROR_1 = 0x00FF00FF00FF00FF
_MIRROR_2 = 0x0000FFFF0000FFFF


class QuickModel(NamedTuple):
    """The numbers of a classifier, all plain arrays.

    ``file_sums`` (2, 8, 64, H) is what a file's pawns of one side add to the
    hidden layer, ``base`` (H,) the rest, both in `HIDDEN_STEP`; ``output``
    (C, H) in `OUTPUT_STEP` and ``output_bias`` (C,) are the second layer.
    ``class_code`` (C,) is the structure code of each class, ``mirror_code``
    (C,) that of its mirror. ``numbers`` are the sharpness, the shift of "no
    family", the threshold and 1 where all of this is exact. ``needs`` (words,
    families) are the conditions of every core, the holder's first, ``own_bits``
    and ``foe_bits`` what meets them, ``shared`` tells which families are
    shared. The last three are room for one thread to work in.
    """

    file_sums: npt.NDArray[np.int16]
    base: npt.NDArray[np.int32]
    output: npt.NDArray[np.int16]
    output_bias: npt.NDArray[np.int32]
    class_code: npt.NDArray[np.int32]
    mirror_code: npt.NDArray[np.int32]
    numbers: npt.NDArray[np.float64]
    own_bits: npt.NDArray[np.uint64]
    foe_bits: npt.NDArray[np.uint64]
    needs: npt.NDArray[np.uint64]
    shared: npt.NDArray[np.bool_]
    sums: npt.NDArray[np.int32]
    units: npt.NDArray[np.int16]
    words: npt.NDArray[np.uint64]


def quick_model(classifier: Classifier) -> QuickModel:
    """The numbers of one classifier, with room for one thread to work in."""
    units, kinds = classifier.output.shape
    nothing = (network_input(np.zeros((1, 2), dtype=np.uint64)) @ classifier.hidden)[0]
    file_sums = np.empty((2, 8, 64, units))
    patterns = np.arange(64, dtype=np.uint64)
    for side in (0, 1):
        for file in range(8):
            masks = np.zeros((64, 2), dtype=np.uint64)
            for rank in range(6):
                bit = (patterns >> np.uint64(rank)) & np.uint64(1)
                masks[:, side] |= bit << np.uint64(8 * (rank + 1) + file)
            file_sums[side, file] = network_input(masks) @ classifier.hidden - nothing
    # A kind of classifier with its own way to judge is asked itself, whatever its numbers.
    exact = type(classifier).classify is Classifier.classify

    def whole(values: npt.NDArray[Any], step: float, kind: Any) -> npt.NDArray[Any]:
        nonlocal exact
        steps = np.rint(np.asarray(values, dtype=np.float64) / step)
        limits = np.iinfo(kind)
        exact = exact and bool(
            (steps * step == values).all() and abs(steps).max(initial=0) <= limits.max
        )
        return np.ascontiguousarray(np.clip(steps, limits.min, limits.max).astype(kind))

    classes = classifier.classes
    code = classes.family.astype(np.int32) * _HOLDERS + classes.holder
    code[NO_FAMILY] = NO_STRUCTURE
    own_bits, foe_bits, own_needs, foe_needs = classifier.matcher.tables
    in_steps = whole(file_sums, HIDDEN_STEP, np.int16)
    base = whole(nothing + classifier.hidden_bias, HIDDEN_STEP, np.int32)
    output = whole(classifier.output.T, OUTPUT_STEP, np.int16)
    bias = whole(classifier.output_bias, UNIT_STEP * OUTPUT_STEP, np.int32)
    # The largest numbers that any skeleton can lead to must fit as well.
    most = (abs(base) + abs(in_steps.astype(np.int64)).max(axis=2).sum(axis=(0, 1))).max(initial=0)
    most_units = most * HIDDEN_STEP / UNIT_STEP
    most_sum = abs(output.astype(np.int64)).sum(axis=1).max(initial=0) * most_units
    spread = _NOTHING / max(classifier.sharpness * _SCORE_STEP, 1e-12)
    exact = exact and bool(
        most_units < 32_000
        and most_sum + abs(bias.astype(np.int64)).max() + spread < 2**31 - 1
        and 0.05 < classifier.threshold < 0.95
    )
    needs = np.concatenate([own_needs.T, foe_needs.T])
    return QuickModel(
        in_steps,
        base,
        output,
        bias,
        code.astype(np.int32),
        code[classes.mirror].astype(np.int32),
        np.array([classifier.sharpness, classifier.none_shift, classifier.threshold, exact]),
        np.ascontiguousarray(own_bits),
        np.ascontiguousarray(foe_bits),
        np.ascontiguousarray(needs),
        np.array([family.shared for family in classifier.catalogue.families]),
        np.zeros(units + kinds, dtype=np.int32),
        np.zeros(units, dtype=np.int16),
        np.zeros(2 * needs.shape[0] + 2 * needs.shape[1], dtype=np.uint64),
    )


@compiled
def mirrored(mask: int) -> int:
    """A mask with its ranks reversed."""
    m = np.uint64(mask)
    m = ((m >> np.uint64(8)) & np.uint64(_MIRROR_1)) | ((m & np.uint64(_MIRROR_1)) << np.uint64(8))
    m = ((m >> np.uint64(16)) & np.uint64(_MIRROR_2)) | (
        (m & np.uint64(_MIRROR_2)) << np.uint64(16)
    )
    return (m >> np.uint64(32)) | (m << np.uint64(32))  # type: ignore[return-value]


@compiled
def _pattern(mask: int, file: int) -> int:
    column = (np.uint64(mask) >> np.uint64(file)) & np.uint64(_FILE_A)
    return (column * np.uint64(_GATHER)) >> np.uint64(56)  # type: ignore[return-value]


@compiled
def _conditions(own: int, foe: int, own_bits: Array, foe_bits: Array, words: Array) -> None:
    """The bits of the conditions that a skeleton meets, the holder's first."""
    mine, theirs = own_bits.shape[2], foe_bits.shape[2]
    for word in range(mine + theirs):
        words[word] = np.uint64(0)
    for file in range(8):
        pattern = _pattern(own, file)
        for word in range(mine):
            words[word] |= own_bits[file, pattern, word]
        pattern = _pattern(foe, file)
        for word in range(theirs):
            words[mine + word] |= foe_bits[file, pattern, word]


@compiled
def _raw_scores(
    own: int,
    foe: int,
    file_sums: Array,
    base: Array,
    output: Array,
    output_bias: Array,
    sums: Array,
    units: Array,
) -> Array:
    """The network's scores of a canonical skeleton, as `Classifier.scores` has them.

    They are in steps of ``UNIT_STEP * OUTPUT_STEP``.
    """
    kinds, hidden = output.shape
    dense, scores = sums[:hidden], sums[hidden:]
    for unit in range(hidden):
        dense[unit] = base[unit]
    for file in range(8):
        first = file_sums[0, file, (_pattern(own, file) >> np.uint64(1)) & np.uint64(63)]
        second = file_sums[1, file, (_pattern(foe, file) >> np.uint64(1)) & np.uint64(63)]
        for unit in range(hidden):
            dense[unit] += np.int32(first[unit]) + np.int32(second[unit])
    # Rounded to the nearest step, halves to even, as numpy's rint does.
    shift, low = np.int32(_UNIT_BITS), np.int32((1 << _UNIT_BITS) - 1)
    half = np.int32(1 << (_UNIT_BITS - 1))
    for unit in range(hidden):
        value = max(dense[unit], np.int32(0))
        whole, rest = value >> shift, value & low
        more = (rest > half) | ((rest == half) & ((whole & np.int32(1)) == 1))
        units[unit] = np.int16(whole + np.int32(more))
    for kind in range(kinds):
        row = output[kind]
        total = np.int32(0)
        for unit in range(hidden):
            total += np.int32(units[unit]) * np.int32(row[unit])
        scores[kind] = total + output_bias[kind]
    return scores


@compiled
def quick_verdict(
    white: int,
    black: int,
    file_sums: Array,
    base: Array,
    output: Array,
    output_bias: Array,
    class_code: Array,
    mirror_code: Array,
    numbers: Array,
    own_bits: Array,
    foe_bits: Array,
    needs: Array,
    shared: Array,
    sums: Array,
    units: Array,
    words: Array,
) -> int:
    """The structure code of a skeleton, plus `CORE`, or `DOUBT`; `NO_STRUCTURE` for no family."""
    if numbers[3] == 0:
        return DOUBT
    own, foe = mirrored(black), mirrored(white)
    count, families = needs.shape
    upright, reverse = words[:count], words[count : 2 * count]
    lacks = words[2 * count : 2 * count + families]
    lacks_too = words[2 * count + families :]
    _conditions(white, black, own_bits, foe_bits, upright)
    _conditions(own, foe, own_bits, foe_bits, reverse)
    for word in range(count):
        here, there = ~upright[word], ~reverse[word]
        if word == 0:
            for family in range(families):
                lacks[family] = needs[word, family] & here
                lacks_too[family] = needs[word, family] & there
        else:
            for family in range(families):
                lacks[family] |= needs[word, family] & here
                lacks_too[family] |= needs[word, family] & there
    for family in range(families):
        if lacks[family] == 0 or lacks_too[family] == 0:
            holder = BOTH
            if not shared[family]:
                if lacks_too[family] != 0:
                    holder = WHITE
                elif lacks[family] != 0:
                    holder = BLACK
            return family * _HOLDERS + holder + CORE
    if own == white and foe == black:
        return DOUBT
    swapped = own < white or (own == white and foe < black)
    if not swapped:
        own, foe = white, black
    scores = _raw_scores(own, foe, file_sums, base, output, output_bias, sums, units)
    kinds = scores.shape[0]
    best = scores[1]
    for kind in range(2, kinds):
        best = max(best, scores[kind])
    sharpness, shift, threshold = numbers[0] * _SCORE_STEP, numbers[1], numbers[2]
    none = (scores[0] - best) * sharpness + shift
    # The chance is at most what it would be if no other family had any.
    if 1.0 / (1.0 + math.exp(none)) < threshold - _DOUBT_MARGIN:
        return NO_STRUCTURE
    total = math.exp(none)
    most = 1.0 / (threshold - _DOUBT_MARGIN)
    place = level = 0
    near = best - np.int32(_DEEP / sharpness)
    for kind in range(1, kinds):
        if scores[kind] < near:
            continue
        behind = (best - scores[kind]) * sharpness
        total += math.exp(-behind)
        if total > most:
            return NO_STRUCTURE
        if behind < _LEVEL:
            level += 1
            place = kind
    if total > 1.0 / (threshold + _DOUBT_MARGIN) or level != 1:
        return DOUBT
    return mirror_code[place] if swapped else class_code[place]  # type: ignore[no-any-return]


@compiled
def quick_probability(
    white: int,
    black: int,
    told: int,
    file_sums: Array,
    base: Array,
    output: Array,
    output_bias: Array,
    class_code: Array,
    mirror_code: Array,
    numbers: Array,
    own_bits: Array,
    foe_bits: Array,
    needs: Array,
    shared: Array,
    sums: Array,
    units: Array,
    words: Array,
) -> float:
    """The probability of what `quick_verdict` told, to the last decimal but one; -1 in doubt."""
    own, foe = mirrored(black), mirrored(white)
    if numbers[3] == 0 or told < 0 or (own == white and foe == black):
        return -1.0
    swapped = own < white or (own == white and foe < black)
    if not swapped:
        own, foe = white, black
    scores = _raw_scores(own, foe, file_sums, base, output, output_bias, sums, units)
    kinds = scores.shape[0]
    place = 1
    for kind in range(2, kinds):
        if scores[kind] > scores[place]:
            place = kind
    sharpness, shift, threshold = numbers[0] * _SCORE_STEP, numbers[1], numbers[2]
    best = scores[place]
    total = math.exp((scores[0] - best) * sharpness + shift)
    level = 0
    near = best - np.int32(_NOTHING / sharpness)
    for kind in range(1, kinds):
        if scores[kind] > near:
            behind = (best - scores[kind]) * sharpness
            total += math.exp(-behind)
            level += behind < _LEVEL
    if level != 1:
        return -1.0
    chance = np.rint(_STEPS / total) / _STEPS
    if told < CORE:
        return chance  # type: ignore[no-any-return]
    code = mirror_code[place] if swapped else class_code[place]
    if code + CORE != told:
        chance = 0.0
    elif abs(chance - threshold) < _LEVEL:
        return -1.0
    elif chance < threshold:
        chance = 0.0
    return np.rint((CORE_TRUST + (1 - CORE_TRUST) * chance) * _STEPS) / _STEPS  # type: ignore[no-any-return]
