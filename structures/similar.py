"""The nearest skeletons in a repertoire, and the lines that lead to them.

The index holds every distinct skeleton once, file by file, so that a question
costs sixteen table look-ups a skeleton, whatever the number of nodes.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import chess
import numpy as np
import numpy.typing as npt

from pawnlore.structures.distinct_verdicts import distinct_skeletons
from pawnlore.structures.lines_below import lines_below
from pawnlore.structures.pawn_distance import Patterns, pattern_distances, side_patterns
from pawnlore.structures.repertoire import Repertoire
from pawnlore.structures.skeleton import Masks, Skeleton, pack


@dataclass(frozen=True, slots=True)
class Neighbour:
    """One skeleton of the repertoire that is near.

    ``distance`` is that of `pawn_distances`, 0.0 for the very same pawns.
    ``mirrored`` is true where it is near with colours reversed; ``differences``
    are told as seen from the position asked about. ``entries`` are the nodes
    at which a line first has these pawns, in reading order, and ``lines``
    counts the lines that pass one of them.
    """

    skeleton: Skeleton
    distance: float
    mirrored: bool
    differences: tuple[str, ...]
    entries: tuple[int, ...]
    lines: int


@dataclass
class SimilarIndex:
    """A repertoire's distinct skeletons, ready to be asked.

    Building it costs a sort of the nodes' skeletons and one pass over the
    nodes; asking it does not depend on the number of nodes.

    >>> import io
    >>> from pawnlore.structures.pgn_reader import read_repertoire
    >>> from pawnlore.structures.skeleton import skeleton_from_fen
    >>> book = read_repertoire([io.StringIO("1. e4 c5 (1... e5 2. Nf3) 2. c3 *")])
    >>> near = SimilarIndex(book).nearest(
    ...     skeleton_from_fen("8/pppp1ppp/8/4p3/4P3/7P/PPPP1PP1/8"), count=2)
    >>> [(found.distance, found.differences, found.lines) for found in near]
    [(0.125, ('White h2, not h3',), 1), (4.525, ('White h2, not h3', 'Black e7, not e5'), 2)]
    """

    book: Repertoire
    masks: Masks = field(init=False)
    _inverse: npt.NDArray[np.intp] = field(init=False, repr=False)
    _patterns: Patterns = field(init=False, repr=False)
    _order: npt.NDArray[np.intp] = field(init=False, repr=False)
    _starts: npt.NDArray[np.intp] = field(init=False, repr=False)
    _first: npt.NDArray[np.intp] = field(init=False, repr=False)
    _leaves: list[int] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        self.masks, self._inverse = distinct_skeletons(self.book.masks)
        self._patterns = side_patterns(self.masks)
        self._order = self._entries()
        rows = self._inverse[self._order]
        self._order = self._order[np.argsort(rows, kind="stable")]
        rows = self._inverse[self._order]
        self._starts = np.searchsorted(rows, np.arange(len(self.masks) + 1))
        # Every skeleton is first reached somewhere, so no row is empty.
        self._first = self._order[self._starts[:-1]] if len(self.masks) else self._order
        self._leaves = lines_below(self.book)

    def __len__(self) -> int:
        return len(self.masks)

    def _entries(self) -> npt.NDArray[np.intp]:
        """The nodes whose pawns are not those of the node before them."""
        parents = self.book.parents
        new = parents < 0
        inner = np.flatnonzero(~new)
        new[inner] = self._inverse[inner] != self._inverse[parents[inner]]
        return np.flatnonzero(new)

    def lines_below(self, node: int) -> int:
        """How many lines pass a node."""
        return self._leaves[node]

    def nearest(
        self,
        skeleton: Skeleton,
        *,
        count: int = 10,
        mirrored: bool = False,
        within: float | None = None,
    ) -> list[Neighbour]:
        """The ``count`` nearest skeletons, nearest first; equal ones as the file has them.

        With ``mirrored``, a skeleton counts by itself or with colours
        reversed, whichever is nearer. ``within`` leaves out what is farther.
        """
        if not len(self) or count <= 0:
            return []
        distances = self._distances(skeleton)
        turned = np.zeros(len(self), dtype=bool)
        if mirrored:
            # Mirroring both skeletons keeps the distance, so the question is turned.
            other = self._distances(skeleton.mirrored())
            turned = other < distances
            distances = np.minimum(distances, other)
        rows = np.arange(len(self))
        if count < len(self):
            edge = np.partition(distances, count - 1)[count - 1]
            rows = np.flatnonzero(distances <= edge)
        rows = rows[np.lexsort((self._first[rows], turned[rows], distances[rows]))][:count]
        if within is not None:
            rows = rows[distances[rows] <= within]
        return [
            self._neighbour(row, skeleton, float(distances[row]), bool(turned[row]))
            for row in rows.tolist()
        ]

    def _distances(self, skeleton: Skeleton) -> npt.NDArray[np.float64]:
        return pattern_distances(self._patterns, side_patterns(pack([skeleton]))[:, 0])

    def _neighbour(self, row: int, asked: Skeleton, distance: float, mirrored: bool) -> Neighbour:
        found = Skeleton(*self.masks[row].tolist())
        entries = self._order[self._starts[row] : self._starts[row + 1]].tolist()
        return Neighbour(
            found,
            distance,
            mirrored,
            differences(asked, found.mirrored() if mirrored else found),
            tuple(entries),
            # Pawns never come back, so no line enters the same skeleton twice.
            sum(self._leaves[node] for node in entries),
        )


def differences(asked: Skeleton, found: Skeleton) -> tuple[str, ...]:
    """What stands otherwise in ``found`` than in ``asked``, file by file, White's first.

    >>> differences(Skeleton(chess.BB_A2 | chess.BB_D4, 0), Skeleton(chess.BB_A3, chess.BB_H7))
    ('White a3, not a2', 'White has no d4', 'Black h7 as well')
    """
    told = []
    for side, one, other in zip(("White", "Black"), asked, found, strict=True):
        for file in chess.BB_FILES:
            gone, come = one & ~other & file, other & ~one & file
            old = " ".join(chess.square_name(s) for s in chess.scan_forward(gone))
            new = " ".join(chess.square_name(s) for s in chess.scan_forward(come))
            if old and new:
                told.append(f"{side} {new}, not {old}")
            elif old:
                told.append(f"{side} has no {old}")
            elif new:
                told.append(f"{side} {new} as well")
    return tuple(told)
