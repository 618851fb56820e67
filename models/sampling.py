"""Skeletons to learn from: met in games, made to meet a core, and made to miss it.

Everything made here starts from skeletons of real games
(``models/data/game_skeletons.npz``), so that what no rule speaks of, such as
the wing pawns, looks as it does in play. Randomness comes from the generator
that is handed in.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

import chess
import numpy as np
import numpy.typing as npt
from joblib import Parallel, delayed

from pawnlore.structures.core import Condition, Core, file_pattern
from pawnlore.structures.matcher import CoreMatcher
from pawnlore.structures.skeleton import Masks, Skeleton, pack

_FILE_A = 0x0101_0101_0101_0101
_POOL = 400
_TRIES = 40
_PARTS = 32


@dataclass(frozen=True)
class GameSkeletons:
    """Distinct skeletons of master games.

    ``masks`` (N, 2); ``positions`` (N,) counts the distinct positions in which
    each was met, ``earliest_ply`` (N,) the first half-move after which it was.
    """

    masks: Masks
    positions: npt.NDArray[np.uint16]
    earliest_ply: npt.NDArray[np.uint8]


@cache
def game_skeletons() -> GameSkeletons:
    """The skeletons of the shipped opening book (DEVELOPERS.md tells where it is from).

    >>> game_skeletons().masks.shape[1]
    2
    """
    source = files("pawnlore.models").joinpath("data", "game_skeletons.npz")
    with source.open("rb") as stream, np.load(stream, allow_pickle=False) as data:
        return GameSkeletons(data["masks"], data["positions"], data["earliest_ply"])


def sample_cores(
    matcher: CoreMatcher,
    rng: np.random.Generator,
    *,
    each: int,
    base: Masks | None = None,
    jobs: int = 1,
) -> Masks:
    """Skeletons that meet a core: about ``each`` for every family and side.

    Each starts from a game's skeleton that already meets most of the core; the
    files that the core speaks of are then set as it wants. Returns distinct
    skeletons (N, 2); which family *names* them is for the matcher to say. They
    do not depend on ``jobs``, the number of processes.
    """
    base = game_skeletons().masks if base is None else base
    habits = _FileHabits(base)
    families = matcher.catalogue.families
    made = Parallel(n_jobs=jobs)(
        delayed(_sample_family)(family.core, base, habits, dice, each)
        for family, dice in zip(families, rng.spawn(len(families)), strict=True)
    )
    masks = pack(sorted(set().union(*made)))
    return masks[matcher.match(masks).family >= 0]


def _sample_family(
    core: Core, base: Masks, habits: _FileHabits, rng: np.random.Generator, each: int
) -> set[tuple[int, int]]:
    """Skeletons that meet one core, with either side as the holder."""
    found: set[tuple[int, int]] = set()
    for black in (False, True):
        pool = base[rng.choice(base.shape[0], size=min(_POOL, base.shape[0]), replace=False)]
        starts = [Skeleton(int(w), int(b)) for w, b in pool]
        if black:
            starts = [start.mirrored() for start in starts]
        misses = np.array(
            [
                sum(not c.met(s.white) for c in core.own)
                + sum(not c.met(s.black) for c in core.foe)
                for s in starts
            ]
        )
        weight = np.exp(-1.1 * misses)
        for pick in rng.choice(len(starts), size=each, p=weight / weight.sum()):
            made = _meet(starts[pick], core.own, core.foe, habits, rng)
            if made is not None:
                made = _ruffle(made, rng)
                found.add(made.mirrored() if black else made)
    return found


class _FileHabits:
    """How often each way to fill a file occurs in games, for the side moving up."""

    def __init__(self, base: Masks) -> None:
        counts = np.full((2, 8, 256), 0.02)
        for white, black in base.tolist():
            for file in range(8):
                counts[0, file, file_pattern(white, file)] += 1
                counts[1, file, file_pattern(black, file)] += 1
        self._counts = counts

    def choose(self, allowed: int, side: int, file: int, rng: np.random.Generator) -> int:
        """A way to fill a file among those allowed, as often as in games."""
        options = np.array([p for p in range(256) if (allowed >> p) & 1 and not p & 0x81])
        weight = self._counts[side, file, options]
        return int(rng.choice(options, p=weight / weight.sum()))


def _set_file(mask: int, file: int, pattern: int) -> int:
    mask &= ~(_FILE_A << file)
    for rank in range(8):
        if (pattern >> rank) & 1:
            mask |= 1 << (8 * rank + file)
    return mask


def _meet(
    start: Skeleton,
    own: tuple[Condition, ...],
    foe: tuple[Condition, ...],
    habits: _FileHabits,
    rng: np.random.Generator,
) -> Skeleton | None:
    """Set the files that a core speaks of; None where no try gives a skeleton."""
    for _ in range(_TRIES):
        sides = [start.white, start.black]
        spoken: list[set[int]] = [set(), set()]
        for side, conditions in enumerate((own, foe)):
            for condition in conditions:
                if not condition.met(sides[side]):
                    pick = condition.alternatives[int(rng.integers(len(condition.alternatives)))]
                    pattern = habits.choose(pick.allowed, side, pick.file, rng)
                    sides[side] = _set_file(sides[side], pick.file, pattern)
                    spoken[side].add(pick.file)
                spoken[side].update(condition.files)
        for side in (0, 1):
            for file in range(8):
                clash = sides[0] & sides[1] & (_FILE_A << file)
                if clash and file not in spoken[side]:
                    sides[side] &= ~clash
            while sides[side].bit_count() > 8:
                free = [
                    square
                    for square in range(64)
                    if (sides[side] >> square) & 1 and square % 8 not in spoken[side]
                ]
                if not free:
                    break
                sides[side] &= ~(1 << int(rng.choice(free)))
        if sides[0] & sides[1] or max(s.bit_count() for s in sides) > 8:
            continue
        if all(c.met(sides[0]) for c in own) and all(c.met(sides[1]) for c in foe):
            return Skeleton(sides[0], sides[1])
    return None


def _ruffle(skeleton: Skeleton, rng: np.random.Generator) -> Skeleton:
    """Now and then push or drop a pawn on the a-, b-, g- or h-file."""
    white, black = skeleton
    for _ in range(int(rng.choice(3, p=[0.5, 0.3, 0.2]))):
        side = int(rng.integers(2))
        file = int(rng.choice([0, 1, 5, 6, 7]))
        mask = black if side else white
        squares = [s for s in range(file, 64, 8) if (mask >> s) & 1]
        if not squares:
            continue
        square = squares[int(rng.integers(len(squares)))]
        target = square + (-8 if side else 8)
        changed = mask & ~(1 << square)
        if rng.random() < 0.75:
            if not 8 <= target < 56 or ((white | black) >> target) & 1:
                continue
            changed |= 1 << target
        if side:
            black = changed
        else:
            white = changed
    return Skeleton(white, black)


def sample_neighbours(
    base: Masks, rng: np.random.Generator, *, edits: int = 1, jobs: int = 1
) -> Masks:
    """One neighbour of each skeleton, ``edits`` pawn moves, captures or losses away.

    Steps as in play: a pawn moves on by one or two, takes a pawn beside its
    path (the exchange is then in mid-air), is taken by a piece, or two pawns go
    together. Returns a batch of the same shape (N, 2), which does not depend on
    ``jobs``, the number of processes.
    """
    parts = np.array_split(base, _PARTS)
    made = Parallel(n_jobs=jobs)(
        delayed(_neighbours)(part, dice, edits)
        for part, dice in zip(parts, rng.spawn(_PARTS), strict=True)
    )
    return np.concatenate(made)


def _neighbours(base: Masks, rng: np.random.Generator, edits: int) -> Masks:
    out: list[tuple[int, int]] = []
    for white, black in base.tolist():
        skeleton = Skeleton(white, black)
        for _ in range(edits):
            skeleton = _step(skeleton, rng)
        out.append(skeleton)
    return pack(out)


def captures_in_mid_air(base: Masks) -> Masks:
    """Every skeleton one central pawn capture after one of ``base`` that a pawn can take back.

    A pawn takes a pawn on one of the files c to f and can be retaken by a pawn:
    the exchange is half done. Returns distinct skeletons (N, 2).
    """
    found: set[tuple[int, int]] = set()
    for white, black in base.tolist():
        found.update(_white_captures(white, black))
        turned = Skeleton(white, black).mirrored()
        found.update(
            Skeleton(w, b).mirrored() for w, b in _white_captures(turned.white, turned.black)
        )
    return pack(sorted(found))


def _white_captures(white: int, black: int) -> Iterator[tuple[int, int]]:
    for square in chess.scan_forward(white):
        for target in chess.scan_forward(chess.BB_PAWN_ATTACKS[chess.WHITE][square] & black):
            # From the target, White's attack pattern names the squares of Black's defenders.
            if 2 <= target % 8 <= 5 and chess.BB_PAWN_ATTACKS[chess.WHITE][target] & black:
                yield white & ~(1 << square) | 1 << target, black & ~(1 << target)


def _step(skeleton: Skeleton, rng: np.random.Generator) -> Skeleton:
    if rng.random() < 0.5:
        return _white_step(skeleton, rng)
    return _white_step(skeleton.mirrored(), rng).mirrored()


def _white_step(skeleton: Skeleton, rng: np.random.Generator) -> Skeleton:
    white, black = skeleton
    squares = [s for s in range(8, 56) if (white >> s) & 1]
    if not squares:
        return skeleton
    # The centre is where structures are made, so its pawns move more often.
    weight = np.array([1.0, 1.0, 2.0, 3.0, 3.0, 1.5, 1.0, 1.0])[np.array(squares) % 8]
    square = int(rng.choice(squares, p=weight / weight.sum()))
    bit = 1 << square
    captures = [
        target
        for step in (7, 9)
        for target in [square + step]
        if target < 56 and abs(target % 8 - square % 8) == 1 and (black >> target) & 1
    ]
    roll = rng.random()
    if captures and roll < 0.5:
        target = captures[int(rng.integers(len(captures)))]
        return Skeleton(white & ~bit | 1 << target, black & ~(1 << target))
    if roll < 0.62:
        steps = 2 if square < 16 and rng.random() < 0.5 else 1
        target = square
        for _ in range(steps):
            if target + 8 >= 56 or ((white | black) >> (target + 8)) & 1:
                break
            target += 8
        return Skeleton(white & ~bit | 1 << target, black)
    if roll < 0.8:
        return Skeleton(white & ~bit, black)
    theirs = [s for s in range(8, 56) if (black >> s) & 1]
    near = [s for s in theirs if abs(s % 8 - square % 8) <= 1]
    if not near:
        return Skeleton(white & ~bit, black)
    return Skeleton(white & ~bit, black & ~(1 << near[int(rng.integers(len(near)))]))
