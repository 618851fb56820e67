"""The numbers of a classifier as compiled code takes them, and whether they are exact there.

Weights and activations are whole multiples of small powers of two (see
`pawnlore.models.classifier.whole_steps`), so the network is computed in whole
numbers, exactly. Its first layer is a sum over files: 16 look-ups replace it. The
cores' conditions are looked up by files in the same way.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from pawnlore.models.classes import NO_FAMILY
from pawnlore.models.classifier import HIDDEN_STEP, OUTPUT_STEP, UNIT_STEP, Classifier
from pawnlore.models.network_input import network_input
from pawnlore.service.survey.network_block import LANES, packed_weights
from pawnlore.structures.structure_paths import NO_STRUCTURE
from pawnlore.structures.verdict import HOLDERS

assert NO_FAMILY == 0, "the first class is taken for that of no family"

LOW_BITS = 10
"""How many bits of a distance between scores `QuickModel.falls_low` tells of."""

_NOTHING = 25.0
_SCORE_STEP = UNIT_STEP * OUTPUT_STEP
_MOST_FALLS = 1 << 15


class QuickModel(NamedTuple):
    """The numbers of a classifier, all plain arrays, and room for one thread to work in.

    ``file_sums`` (2 * 8 * 64, H) is what a file's pawns of one side add to the
    hidden layer, ``base`` (H,) the rest, both in `HIDDEN_STEP`; ``weights``
    and ``bias`` are the second layer in `OUTPUT_STEP` (see `packed_weights`).
    ``class_code`` (C,) is the structure code of each class, ``mirror_code``
    (C,) that of its mirror. ``falls_high`` and ``falls_low`` tell the chance of
    a class by how far it is behind the best one, in scores: the product of one
    of each. ``numbers`` are the sharpness a step, the shift of "no family",
    the threshold and 1 where all of this is exact.

    ``needs`` (words, families) are the conditions of every core, ``holders``
    (words,) has the bits of those on the holder's pawns. ``bits`` (2, 8, 256,
    words) is what White's or Black's pawns on one file meet of them: White's
    those on the holder as they stand and those on the opponent mirrored,
    Black's the other way about. ``shared`` tells which families are shared.

    The rest is room: ``dense`` (H,) with the ``patterns`` (16,) that it stands
    for, ``rounded`` (H,), ``units`` (H / 2, LANES), ``scores`` (T, rows,
    LANES), ``best`` (LANES,), ``masks`` (LANES, 2), ``places`` (LANES, 2), and
    for cores ``met`` (words, 2) and ``lacks`` (2, families).
    """

    file_sums: npt.NDArray[np.int16]
    base: npt.NDArray[np.int32]
    weights: npt.NDArray[np.int32]
    bias: npt.NDArray[np.int32]
    class_code: npt.NDArray[np.int32]
    mirror_code: npt.NDArray[np.int32]
    falls_high: npt.NDArray[np.float64]
    falls_low: npt.NDArray[np.float64]
    numbers: npt.NDArray[np.float64]
    bits: npt.NDArray[np.uint64]
    needs: npt.NDArray[np.uint64]
    holders: npt.NDArray[np.uint64]
    shared: npt.NDArray[np.bool_]
    dense: npt.NDArray[np.int32]
    rounded: npt.NDArray[np.int16]
    units: npt.NDArray[np.int32]
    scores: npt.NDArray[np.int32]
    best: npt.NDArray[np.int32]
    masks: npt.NDArray[np.uint64]
    places: npt.NDArray[np.int64]
    met: npt.NDArray[np.uint64]
    lacks: npt.NDArray[np.uint64]
    patterns: npt.NDArray[np.int64]


def quick_model(classifier: Classifier) -> QuickModel:
    """The numbers of one classifier, with room for one thread to work in."""
    units = classifier.output.shape[0]
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
    code = classes.family.astype(np.int32) * len(HOLDERS) + classes.holder
    code[NO_FAMILY] = NO_STRUCTURE
    in_steps = whole(file_sums, HIDDEN_STEP, np.int16)
    base = whole(nothing + classifier.hidden_bias, HIDDEN_STEP, np.int32)
    output = whole(classifier.output.T, OUTPUT_STEP, np.int16)
    bias = whole(classifier.output_bias, UNIT_STEP * OUTPUT_STEP, np.int32)
    # The largest numbers that any skeleton can lead to must fit as well.
    most = (abs(base) + abs(in_steps.astype(np.int64)).max(axis=2).sum(axis=(0, 1))).max(initial=0)
    most_units = most * HIDDEN_STEP / UNIT_STEP
    most_sum = abs(output.astype(np.int64)).sum(axis=1).max(initial=0) * most_units
    sharpness = classifier.sharpness * _SCORE_STEP
    spread = _NOTHING / max(sharpness, 1e-12)
    high = int(spread) >> LOW_BITS
    exact = exact and bool(
        most_units < 32_000
        and most_sum + abs(bias.astype(np.int64)).max() + spread < 2**31 - 1
        and high < _MOST_FALLS
        and 0.05 < classifier.threshold < 0.95
    )
    bits, needs, holders = _core_tables(classifier)
    weights, more_bias = packed_weights(output, bias)
    steps = np.arange(min(high, _MOST_FALLS) + 1) << LOW_BITS
    # An even number of units, because they go in pairs.
    even = ((0, 0), (0, units % 2))
    in_steps = np.pad(in_steps.reshape(-1, units), even)
    base = np.pad(base, even[1])
    units += units % 2
    return QuickModel(
        np.ascontiguousarray(in_steps),
        base,
        weights,
        more_bias,
        code.astype(np.int32),
        code[classes.mirror].astype(np.int32),
        np.exp(-sharpness * steps),
        np.exp(-sharpness * np.arange(1 << LOW_BITS)),
        np.array([sharpness, classifier.none_shift, classifier.threshold, exact]),
        bits,
        needs,
        holders,
        np.array([family.shared for family in classifier.catalogue.families]),
        np.zeros(units, dtype=np.int32),
        np.zeros(units, dtype=np.int16),
        np.zeros((units // 2, LANES), dtype=np.int32),
        np.zeros((*more_bias.shape, LANES), dtype=np.int32),
        np.zeros(LANES, dtype=np.int32),
        np.zeros((LANES, 2), dtype=np.uint64),
        np.zeros((LANES, 2), dtype=np.int64),
        np.zeros((needs.shape[0], 2), dtype=np.uint64),
        np.zeros((2, needs.shape[1]), dtype=np.uint64),
        np.full(16, -1, dtype=np.int64),
    )


def _core_tables(
    classifier: Classifier,
) -> tuple[npt.NDArray[np.uint64], npt.NDArray[np.uint64], npt.NDArray[np.uint64]]:
    """The ``bits``, ``needs`` and ``holders`` of a `QuickModel`, in as few words as they fit in."""
    own_bits, foe_bits, own_needs, foe_needs = map(_as_bits, classifier.matcher.tables)
    own = np.flatnonzero(own_needs.any(axis=0))
    foe = np.flatnonzero(foe_needs.any(axis=0))
    reverse = np.array([int(f"{pattern:08b}"[::-1], 2) for pattern in range(256)])
    own_bits, foe_bits = own_bits[..., own], foe_bits[..., foe]
    white = np.concatenate([own_bits, foe_bits[:, reverse]], axis=2)
    black = np.concatenate([own_bits[:, reverse], foe_bits], axis=2)
    needs = np.concatenate([own_needs[:, own], foe_needs[:, foe]], axis=1)
    holders = np.arange(needs.shape[1]) < own.shape[0]
    return _as_words(np.stack([white, black])), _as_words(needs).T.copy(), _as_words(holders)


def _as_bits(words: npt.NDArray[np.uint64]) -> npt.NDArray[np.bool_]:
    octets = np.ascontiguousarray(words.astype("<u8")).view(np.uint8)
    return np.unpackbits(octets, axis=-1, bitorder="little").astype(np.bool_)


def _as_words(bits: npt.NDArray[np.bool_]) -> npt.NDArray[np.uint64]:
    full = np.zeros((*bits.shape[:-1], max(1, -(-bits.shape[-1] // 64)) * 64), dtype=np.bool_)
    full[..., : bits.shape[-1]] = bits
    octets = np.packbits(full, axis=-1, bitorder="little")
    return octets.view("<u8").astype(np.uint64)
