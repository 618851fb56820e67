"""Core gaps: skeletons that miss a core by one or two conditions, and how.

Most positions off the core miss one by a single condition: a pawn one step
short, a lever just played, a pawn that has gone. What kind of gap it is says
most about whether the family's plans still stand.

Everything here is told from the *mover's* side: the side whose pawns the missed
condition speaks of, with its pawns moving up the board.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
import numpy.typing as npt

from pawnlore.structures.core import Condition
from pawnlore.structures.matcher import CoreMatcher, file_patterns
from pawnlore.structures.skeleton import Masks, mirror_batch

_CHUNK = 4096


class Gap(IntEnum):
    """How a skeleton misses the one condition that keeps it off a core."""

    GONE = 0
    """The file is empty where the core wants a pawn."""
    EXTRA = 1
    """A pawn stands on a file that the core wants empty."""
    DOUBLED = 2
    """A pawn stands on the right square, with another on its file."""
    SHORT_ONE = 3
    """The pawn is one step short of its square, with no pawn in its way."""
    SHORT_MORE = 4
    """The pawn is two or more steps short, with no pawn in its way."""
    SHORT_BLOCKED = 5
    """The pawn is short of its square and a pawn stands in its way."""
    LEVER = 6
    """The pawn has gone past its square and attacks a pawn."""
    RAMMED = 7
    """The pawn has gone past its square and stands against a pawn."""
    PAST = 8
    """The pawn has gone past its square and attacks and meets nothing."""
    OTHER = 9
    """Anything else: for example two pawns, neither on the right square."""


@dataclass(frozen=True)
class CoreGaps:
    """Every missed condition of every core that is missed narrowly.

    All columns have shape (M,). ``candidate`` numbers the (skeleton, family,
    side) that an entry belongs to, from 0; a core that is missed by two
    conditions has two entries with the same number. ``row`` indexes the batch,
    ``family`` the catalogue. ``black`` tells that Black is the holder, ``foe``
    that the missed condition speaks of the side that is not the holder.
    ``file`` is the file of the missed condition (its first, where it names
    two), a = 0. ``condition`` indexes ``conditions``.
    """

    candidate: npt.NDArray[np.intp]
    row: npt.NDArray[np.intp]
    family: npt.NDArray[np.intp]
    black: npt.NDArray[np.bool_]
    foe: npt.NDArray[np.bool_]
    file: npt.NDArray[np.int8]
    kind: npt.NDArray[np.int8]
    condition: npt.NDArray[np.intp]
    conditions: tuple[Condition, ...]

    def __len__(self) -> int:
        return int(self.row.shape[0])


def core_gaps(matcher: CoreMatcher, masks: Masks, *, most: int = 1) -> CoreGaps:
    """Find every core that a batch (N, 2) misses by 1 to ``most`` conditions.

    >>> from pawnlore.structures.matcher import shipped_matcher
    >>> from pawnlore.structures.skeleton import skeletons_from_fens
    >>> matcher = shipped_matcher()
    >>> batch = skeletons_from_fens(["8/pp3ppp/2p5/3p4/3PP3/8/PP3PPP/8"])
    >>> gaps = core_gaps(matcher, batch)
    >>> carlsbad = gaps.family == matcher.catalogue.ids.index("carlsbad")
    >>> [Gap(kind).name for kind in gaps.kind[carlsbad & ~gaps.black]]
    ['LEVER']
    """
    conditions, wanted = _all_conditions(matcher)
    parts: list[npt.NDArray[np.intp]] = []
    mirror = mirror_batch(masks)
    for black, batch in ((0, masks), (1, mirror)):
        for start in range(0, max(1, batch.shape[0]), _CHUNK):
            part = batch[start : start + _CHUNK]
            unmet = ~np.stack([_met(c, foe, part) for c, foe in conditions])
            for family, needed in enumerate(wanted):
                missing = unmet[needed]
                total = missing.sum(axis=0, dtype=np.int16)
                rows = np.flatnonzero((total > 0) & (total <= most))
                row, which = np.nonzero(missing[:, rows].T)
                entry = np.empty((4, row.size), dtype=np.intp)
                entry[0], entry[1], entry[2] = rows[row] + start, family, black
                entry[3] = np.asarray(needed)[which]
                parts.append(entry)
    row, family_, black_, which = np.concatenate(parts, axis=1)
    order = np.lexsort((which, black_, family_, row))
    row, family_, black_, which = row[order], family_[order], black_[order], which[order]
    key = (row * len(wanted) + family_) * 2 + black_
    candidate = np.cumsum(np.diff(key, prepend=key[:1]) != 0)
    foe = np.array([f for _, f in conditions], dtype=bool)[which]
    file = np.array([c.files[0] for c, _ in conditions], dtype=np.int8)[which]
    side_black = (black_ == 1) ^ foe
    view = np.where(side_black[:, None], mirror[row], masks[row])
    kind = _kinds(conditions, which, view)
    return CoreGaps(
        candidate,
        row,
        family_,
        black_ == 1,
        foe,
        file,
        kind,
        which,
        tuple(c for c, _ in conditions),
    )


def _all_conditions(
    matcher: CoreMatcher,
) -> tuple[list[tuple[Condition, bool]], list[list[int]]]:
    index: dict[tuple[str, bool], int] = {}
    conditions: list[tuple[Condition, bool]] = []
    wanted: list[list[int]] = []
    for family in matcher.catalogue.families:
        needed: list[int] = []
        for side, foe in ((family.core.own, False), (family.core.foe, True)):
            for condition in side:
                key = (condition.text, foe)
                if key not in index:
                    index[key] = len(conditions)
                    conditions.append((condition, foe))
                needed.append(index[key])
        wanted.append(needed)
    return conditions, wanted


def _met(condition: Condition, foe: bool, masks: Masks) -> npt.NDArray[np.bool_]:
    patterns = file_patterns(np.ascontiguousarray(masks[:, 1 if foe else 0]))
    met = np.zeros(masks.shape[0], dtype=bool)
    for alternative in condition.alternatives:
        table = np.array([(alternative.allowed >> p) & 1 for p in range(256)], dtype=bool)
        met |= table[patterns[alternative.file]]
    return met


def _kinds(
    conditions: list[tuple[Condition, bool]], which: npt.NDArray[np.intp], view: Masks
) -> npt.NDArray[np.int8]:
    """The kind of each gap; ``view`` (M, 2) has the mover's pawns in column 0."""
    kinds = np.full(which.shape, Gap.OTHER, dtype=np.int8)
    for index, (condition, foe) in enumerate(conditions):
        entries = np.flatnonzero(which == index)
        if not entries.size:
            continue
        # Only the pawns on and beside the condition's files matter, so few cases differ.
        near = np.uint64(_files_and_neighbours(condition.files))
        seen = np.ascontiguousarray(view[entries] & near).view([("m", "u8"), ("o", "u8")])[:, 0]
        cases, inverse = np.unique(seen, return_inverse=True)
        found = [_kind(condition, foe, mover, other) for mover, other in cases.tolist()]
        kinds[entries] = np.array(found, dtype=np.int8)[inverse]
    return kinds


def _files_and_neighbours(files: tuple[int, ...]) -> int:
    mask = 0
    for file in files:
        for near in range(max(0, file - 1), min(7, file + 1) + 1):
            mask |= 0x0101_0101_0101_0101 << near
    return mask


def _file_bits(mask: int, file: int) -> list[int]:
    return [rank for rank in range(8) if (mask >> (8 * rank + file)) & 1]


def _kind(condition: Condition, foe: bool, mover: int, other: int) -> Gap:
    """One gap. A foe condition names squares in the holder's view, so its ranks turn."""
    alternative = condition.alternatives[0]
    for candidate in condition.alternatives:
        if _file_bits(mover, candidate.file):
            alternative = candidate
            break
    file = alternative.file
    patterns = [p for p in range(256) if (alternative.allowed >> p) & 1]
    pawns = _file_bits(mover, file)
    if patterns == [0]:
        return Gap.EXTRA
    if not pawns:
        return Gap.GONE
    squares = sorted(
        (7 - rank if foe else rank)
        for p in patterns
        if p.bit_count() == 1
        for rank in [p.bit_length() - 1]
    )
    if not squares:
        return Gap.OTHER
    if len(pawns) > 1:
        return Gap.DOUBLED if set(pawns) & set(squares) else Gap.OTHER
    rank = pawns[0]
    both = mover | other
    if rank < squares[0]:
        way = range(rank + 1, squares[0] + 1)
        if any((both >> (8 * r + file)) & 1 for r in way):
            return Gap.SHORT_BLOCKED
        return Gap.SHORT_ONE if len(way) == 1 else Gap.SHORT_MORE
    attacked = [8 * (rank + 1) + f for f in (file - 1, file + 1) if 0 <= f < 8 and rank < 7]
    if any((other >> square) & 1 for square in attacked):
        return Gap.LEVER
    if rank < 7 and (other >> (8 * (rank + 1) + file)) & 1:
        return Gap.RAMMED
    return Gap.PAST
