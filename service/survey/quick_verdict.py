"""Family, holder and probability of skeletons in compiled code, or the word that one is in doubt.

A collection has new skeletons by the million, so what names them is compiled:
first the cores, then the network where no core is met. It follows
`Classifier.classify` step by step and never disagrees with it, because whatever
comes near a boundary (the threshold, two families that are level, a skeleton
that is its own mirror) is left to the classifier itself. So are all skeletons
where the numbers are not exact (`quick_model`), or the model has more to say than
cores and network, as a taught one with an author's own families.

The network takes a block of skeletons at a time (`network_block`).
"""

from __future__ import annotations

import math

import numpy as np

from pawnlore.models.classifier import CORE_TRUST, HIDDEN_STEP, UNIT_STEP
from pawnlore.service.survey.compiled import Array, compiled
from pawnlore.service.survey.network_block import LANES, block_best, block_scores
from pawnlore.service.survey.quick_model import LOW_BITS, QuickModel
from pawnlore.structures.structure_paths import NO_STRUCTURE
from pawnlore.structures.verdict import BLACK, BOTH, HOLDERS, WHITE

CORE, DOUBT = 1 << 16, 1 << 17
"""Flags beside a structure code: its core is met; the classifier has to say."""

EMPTY = -(1 << 30)
"""In the place of a structure code: nothing has been asked."""

STEPS = 100_000
"""Probabilities are whole multiples of one in so many."""

UNKNOWN = -1
"""In the place of a probability: it has not been asked for."""

_DOUBT_MARGIN = 2e-4
_FEW = 5
_LEVEL = 1e-4
_HOLDERS = len(HOLDERS)
_UNIT_BITS = round(math.log2(UNIT_STEP / HIDDEN_STEP))

_MIRROR_1 = 0x00FF00FF00FF00FF
_MIRROR_2 = 0x0000FFFF0000FFFF
_SWAP_1, _SWAP_2, _SWAP_3 = 0x00AA00AA00AA00AA, 0x0000CCCC0000CCCC, 0x00000000F0F0F0F0


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
def _by_files(mask: int) -> int:
    """A mask with files and ranks exchanged: each byte is the pattern of a file."""
    m = np.uint64(mask)
    t = (m ^ (m >> np.uint64(7))) & np.uint64(_SWAP_1)
    m ^= t ^ (t << np.uint64(7))
    t = (m ^ (m >> np.uint64(14))) & np.uint64(_SWAP_2)
    m ^= t ^ (t << np.uint64(14))
    t = (m ^ (m >> np.uint64(28))) & np.uint64(_SWAP_3)
    return m ^ t ^ (t << np.uint64(28))  # type: ignore[return-value]


@compiled
def _find_cores(
    keys: Array,
    fresh: Array,
    bits: Array,
    needs: Array,
    holders: Array,
    shared: Array,
    met: Array,
    lacks: Array,
    codes: Array,
) -> None:
    """The structure code of the first core that each of ``keys[fresh]`` meets; -1 for none.

    Nothing here depends on what was found before, so that the processor works
    on several skeletons at a time.
    """
    count, families = needs.shape
    low = np.uint64(255)
    for row in range(fresh.shape[0]):
        by_white, by_black = (
            np.uint64(_by_files(keys[fresh[row], 0])),
            np.uint64(_by_files(keys[fresh[row], 1])),
        )
        for word in range(count):
            whites = blacks = np.uint64(0)
            for file in range(8):
                shift = np.uint64(8 * file)
                whites |= bits[0, file, (by_white >> shift) & low, word]
                blacks |= bits[1, file, (by_black >> shift) & low, word]
            mask = holders[word]
            met[word, 0] = (whites & mask) | (blacks & ~mask)
            met[word, 1] = (blacks & mask) | (whites & ~mask)
        first = families
        if count == 1:
            # The shipped families' conditions fit in one word, so that nothing is kept.
            here, there = ~met[0, 0], ~met[0, 1]
            for family in range(families):
                need = needs[0, family]
                found = families if need & here != 0 and need & there != 0 else family
                first = min(first, found)
        else:
            first = _first_of_several(needs, met, lacks)
        known = min(first, families - 1)
        white_lacks = black_lacks = np.uint64(0)
        for word in range(count):
            white_lacks |= needs[word, known] & ~met[word, 0]
            black_lacks |= needs[word, known] & ~met[word, 1]
        by_one = (white_lacks != 0) != (black_lacks != 0)
        holder = BLACK if white_lacks != 0 else WHITE
        holder = holder if by_one and not shared[known] else BOTH
        codes[row] = known * _HOLDERS + holder if first < families else -1


@compiled
def _first_of_several(needs: Array, met: Array, lacks: Array) -> int:
    """The first family whose conditions, in several words, are all met by one side's pawns."""
    families = needs.shape[1]
    lacks[:] = np.uint64(0)
    for word in range(needs.shape[0]):
        here, there = ~met[word, 0], ~met[word, 1]
        for family in range(families):
            lacks[0, family] |= needs[word, family] & here
            lacks[1, family] |= needs[word, family] & there
    first = families
    for family in range(families):
        found = families if lacks[0, family] != 0 and lacks[1, family] != 0 else family
        first = min(first, found)
    return int(first)


@compiled
def _put_units(
    filled: int,
    masks: Array,
    file_sums: Array,
    base: Array,
    dense: Array,
    patterns: Array,
    rounded: Array,
    units: Array,
) -> None:
    """The activations of canonical skeletons ``masks[:filled]``, each into its lane."""
    hidden = base.shape[0]
    low = np.uint64(63)
    shift, below = np.int32(_UNIT_BITS), np.int32((1 << (_UNIT_BITS - 1)) - 1)
    pairs = rounded.view(np.int32)
    now = np.empty(16, dtype=np.int64)
    for lane in range(filled):
        own, foe = np.uint64(_by_files(masks[lane, 0])), np.uint64(_by_files(masks[lane, 1]))
        changed = 0
        for place in range(16):
            side = own if place < 8 else foe
            # Pawns stand on six of the eight ranks.
            pattern = np.int64((side >> np.uint64(8 * (place & 7) + 1)) & low) + 64 * place
            now[place] = pattern
            changed += pattern != patterns[place]
        if changed <= _FEW:
            # Most skeletons come from the one before by a move of one pawn or two.
            for place in range(16):
                old, new = patterns[place], now[place]
                if old != new:
                    for unit in range(hidden):
                        dense[unit] += np.int32(file_sums[new, unit]) - np.int32(
                            file_sums[old, unit]
                        )
        else:
            for unit in range(hidden):
                dense[unit] = base[unit]
            for place in range(0, 16, 4):
                one, two, three, four = now[place], now[place + 1], now[place + 2], now[place + 3]
                for unit in range(hidden):
                    dense[unit] += (
                        np.int32(file_sums[one, unit])
                        + np.int32(file_sums[two, unit])
                        + np.int32(file_sums[three, unit])
                        + np.int32(file_sums[four, unit])
                    )
        for place in range(16):
            patterns[place] = now[place]
        # Rounded to the nearest step, halves to even, as numpy's rint does.
        for unit in range(hidden):
            value = max(dense[unit], np.int32(0))
            rounded[unit] = np.int16((value + below + ((value >> shift) & np.int32(1))) >> shift)
        for pair in range(pairs.shape[0]):
            units[pair, lane] = pairs[pair]


@compiled
def network_scores(filled: int, model: QuickModel) -> Array:
    """The scores (classes, LANES) of the block's skeletons, and the best family's of each."""
    _put_units(
        filled,
        model.masks,
        model.file_sums,
        model.base,
        model.dense,
        model.patterns,
        model.rounded,
        model.units,
    )
    block_scores(model.units, model.weights, model.bias, model.scores)
    scores = model.scores.reshape(-1, LANES)
    block_best(scores, 1, model.class_code.shape[0], model.best)
    return scores


@compiled
def _named(
    lane: int,
    scores: Array,
    best: int,
    kinds: int,
    most: float,
    far: float,
    numbers: Array,
    falls_high: Array,
    falls_low: Array,
) -> tuple[int, float]:
    """The best family's class in a lane, and one through its chance.

    The class is 0 where the chance is certainly below one through ``most``, and
    -1 where two families are level. ``far`` is how much the score of "no family"
    has to be ahead for the former, whatever the other families have.
    """
    sharpness, shift = numbers[0], numbers[1]
    none = (scores[0, lane] - best) * sharpness + shift
    if none > far:
        return 0, np.inf
    total = math.exp(none)
    farthest = (falls_high.shape[0] << LOW_BITS) - 1
    level = place = 0
    near = _LEVEL / sharpness
    for kind in range(1, kinds):
        # Beyond the farthest the chance is next to nothing, and counts as that.
        behind = min(np.int64(best) - np.int64(scores[kind, lane]), farthest)
        total += falls_high[behind >> LOW_BITS] * falls_low[behind & ((1 << LOW_BITS) - 1)]
        level += behind < near
        place = kind if behind < near else place
    if total > most:
        return 0, total
    return place if level == 1 else -1, total


@compiled
def _into_lane(lane: int, slot: int, white: int, black: int, model: QuickModel) -> bool:
    """Put a skeleton, or its mirror where that comes first, where the network takes it from.

    False for one that is its own mirror: that is for the classifier to say.
    """
    own, foe = np.uint64(mirrored(black)), np.uint64(mirrored(white))
    if own == white and foe == black:
        return False
    swapped = own < white or (own == white and foe < black)
    model.masks[lane, 0] = own if swapped else white
    model.masks[lane, 1] = foe if swapped else black
    model.places[lane, 0], model.places[lane, 1] = slot, swapped
    return True


@compiled
def judge(keys: Array, verdicts: Array, fresh: Array, model: QuickModel) -> int:
    """Judge the skeletons ``keys[fresh]``; gives how many are in doubt.

    ``verdicts`` (slots, 2) take the structure code, plus `CORE`, and the
    probability in `STEPS` where it is known now. The places of those in doubt
    are brought to the beginning of ``fresh``.
    """
    doubtful = filled = 0
    exact = model.numbers[3] != 0
    count = fresh.shape[0]
    codes = np.empty(count, dtype=np.int32)
    _find_cores(
        keys, fresh, model.bits, model.needs, model.holders, model.shared, model.met,
        model.lacks, codes,
    )  # fmt: skip
    for row in range(count):
        slot = fresh[row]
        white, black = keys[slot, 0], keys[slot, 1]
        verdicts[slot, 1] = UNKNOWN
        if exact and codes[row] >= 0:
            verdicts[slot, 0] = codes[row] + CORE
        else:
            if exact and _into_lane(filled, slot, white, black, model):
                filled += 1
            else:
                verdicts[slot, 0] = DOUBT
                fresh[doubtful] = slot
                doubtful += 1
        if filled == LANES or (filled and row == count - 1):
            doubtful = _judge_lanes(filled, verdicts, fresh, doubtful, model)
            filled = 0
    return doubtful


@compiled
def _judge_lanes(
    filled: int, verdicts: Array, fresh: Array, doubtful: int, model: QuickModel
) -> int:
    scores, best, places = network_scores(filled, model), model.best, model.places
    high, low, numbers = model.falls_high, model.falls_low, model.numbers
    class_code, mirror_code = model.class_code, model.mirror_code
    kinds, threshold = class_code.shape[0], numbers[2]
    most, least = 1.0 / (threshold - _DOUBT_MARGIN), 1.0 / (threshold + _DOUBT_MARGIN)
    far = math.log(most - 1.0)
    for lane in range(filled):
        slot, swapped = places[lane, 0], places[lane, 1]
        place, total = _named(lane, scores, best[lane], kinds, most, far, numbers, high, low)
        if place == 0:
            verdicts[slot, 0] = NO_STRUCTURE
        elif place < 0 or total > least:
            verdicts[slot, 0] = DOUBT
            fresh[doubtful] = slot
            doubtful += 1
        else:
            code = mirror_code[place] if swapped else class_code[place]
            verdicts[slot, 0] = code
            verdicts[slot, 1] = np.int32(np.rint(STEPS / total))
    return doubtful


@compiled
def fill_chances(slots: Array, keys: Array, verdicts: Array, room: Array, model: QuickModel) -> int:
    """Fill in the probabilities of ``slots`` that are unknown; gives how many are in doubt.

    ``room`` (slots,) takes the places of those, some of them several times.
    """
    doubtful = filled = 0
    exact = model.numbers[3] != 0
    count = slots.shape[0]
    for row in range(count):
        slot = slots[row]
        if verdicts[slot, 1] == UNKNOWN:
            white, black = keys[slot, 0], keys[slot, 1]
            known = exact and verdicts[slot, 0] >= CORE
            if known and _into_lane(filled, slot, white, black, model):
                filled += 1
            else:
                room[doubtful] = slot
                doubtful += 1
        if filled == LANES or (filled and row == count - 1):
            doubtful = _fill_lanes(filled, verdicts, room, doubtful, model)
            filled = 0
    return doubtful


@compiled
def _fill_lanes(filled: int, verdicts: Array, room: Array, doubtful: int, model: QuickModel) -> int:
    scores, best, places = network_scores(filled, model), model.best, model.places
    high, low, numbers = model.falls_high, model.falls_low, model.numbers
    class_code, mirror_code = model.class_code, model.mirror_code
    kinds, threshold = class_code.shape[0], numbers[2]
    most = 1.0 / (threshold - _DOUBT_MARGIN)
    far = math.log(most - 1.0)
    for lane in range(filled):
        slot, swapped = places[lane, 0], places[lane, 1]
        place, total = _named(lane, scores, best[lane], kinds, most, far, numbers, high, low)
        chance = 0.0
        sure = place >= 0
        if place > 0:
            code = mirror_code[place] if swapped else class_code[place]
            if code + CORE == verdicts[slot, 0]:
                chance = np.rint(STEPS / total) / STEPS
                sure = abs(chance - threshold) >= _LEVEL
                if chance < threshold:
                    chance = 0.0
        if sure:
            share = np.rint((CORE_TRUST + (1 - CORE_TRUST) * chance) * STEPS)
            verdicts[slot, 1] = np.int32(share)
        else:
            room[doubtful] = slot
            doubtful += 1
    return doubtful
