"""The repertoire: every node of every game, held as columns.

Nodes of all games stand in one row of columns, in reading order, so that a
computation on a whole repertoire is a computation on arrays. Within a game,
node 0 is its starting position; a node's number in its game is its place in
the columns less the game's `Game.first`.
"""

from __future__ import annotations

from array import array
from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from pawnlore.structures.pgn_problem import ReadProblem
from pawnlore.structures.skeleton import Masks


class Comment(NamedTuple):
    """One comment, exactly as it stands between its marks.

    ``semicolon`` tells the kind: to the end of the line instead of in braces.
    ``before`` is true at the start of a variation, before its first move.
    ``closed`` is the number of variations on the same move that stand before
    the comment.
    """

    text: str
    semicolon: bool = False
    before: bool = False
    closed: int = 0


@dataclass(slots=True)
class Game:
    """One game of a file.

    ``number`` counts from 1 in the file, with those that could not be read.
    ``result`` is the termination marker of the moves, empty where there is
    none. ``fen`` is the starting position where it is not the usual one, else
    empty. ``preamble`` holds comments that stand before or between the headers.
    """

    file: str
    number: int
    chapter: str
    headers: tuple[tuple[str, str], ...]
    result: str
    first: int
    count: int
    fen: str = ""
    line: int = 0
    preamble: tuple[Comment, ...] = ()

    def header(self, name: str) -> str | None:
        """A header's value (the last one where it is given twice), or none."""
        for known, value in reversed(self.headers):
            if known == name:
                return value
        return None

    @property
    def nodes(self) -> range:
        """The game's nodes, as places in the columns."""
        return range(self.first, self.first + self.count)


@dataclass
class Repertoire:
    """The columns: one entry a node, N in all.

    ``parent`` is a place in the columns, -1 at a game's start. ``ply`` counts
    half-moves from the beginning of a normal game. ``pawns`` holds White's and
    Black's skeleton mask in turn, so 2 N entries. ``moves`` holds SAN, empty
    at a game's start and ``--`` for a null move. ``comments`` and ``glyphs``
    hold entries only where there are some. ``varies`` names, for the first move of a
    variation that stands inside another one on the same move, the move that it
    varies; for all others that is their parent's first child. ``fens`` and
    ``positions`` are there only when asked for; equal numbers in ``positions``
    are equal positions.
    """

    parent: array[int] = field(default_factory=lambda: array("i"))
    ply: array[int] = field(default_factory=lambda: array("i"))
    pawns: array[int] = field(default_factory=lambda: array("Q"))
    moves: list[str] = field(default_factory=list)
    comments: dict[int, list[Comment]] = field(default_factory=dict)
    glyphs: dict[int, list[int]] = field(default_factory=dict)
    varies: dict[int, int] = field(default_factory=dict)
    fens: list[str] | None = None
    positions: array[int] | None = None
    games: list[Game] = field(default_factory=list)
    problems: list[ReadProblem] = field(default_factory=list)
    unnamed_problems: int = 0
    """Problems beyond the limit, which are counted only."""
    files: int = 0
    """Files that could be opened."""
    _starts: npt.NDArray[np.intp] | None = field(default=None, repr=False)
    _order: npt.NDArray[np.intp] | None = field(default=None, repr=False)

    def __len__(self) -> int:
        return len(self.parent)

    @property
    def masks(self) -> Masks:
        """All skeletons, ``uint64`` (N, 2), as a view: no node is copied."""
        if not self.pawns:
            return np.empty((0, 2), dtype=np.uint64)
        return np.frombuffer(self.pawns, dtype=np.uint64).reshape(-1, 2)

    @property
    def parents(self) -> npt.NDArray[np.int32]:
        """The parent of every node, ``int32`` (N,), as a view; -1 at a start."""
        if not self.parent:
            return np.empty(0, dtype=np.int32)
        return np.frombuffer(self.parent, dtype=np.int32)

    def game_of(self, node: int) -> Game:
        """The game that a node belongs to."""
        return self.games[bisect_right(self.games, node, key=lambda game: game.first) - 1]

    def children(self, node: int) -> list[int]:
        """The nodes that follow a node, in reading order; the first one goes on."""
        if self._starts is None or self._order is None:
            parents = self.parents
            order = np.argsort(parents, kind="stable")
            self._order = order
            self._starts = np.searchsorted(parents[order], np.arange(len(self) + 1))
        first, end = self._starts[node], self._starts[node + 1]
        found: list[int] = self._order[first:end].tolist()
        return found

    def line(self, node: int) -> list[int]:
        """The nodes from the game's start to a node, both included."""
        path = []
        while node >= 0:
            path.append(node)
            node = self.parent[node]
        path.reverse()
        return path

    @property
    def leaves(self) -> npt.NDArray[np.intp]:
        """The last node of every line, in reading order."""
        ends = np.ones(len(self), dtype=bool)
        parents = self.parents
        ends[parents[parents >= 0]] = False
        return np.flatnonzero(ends)

    def lines(self) -> Iterator[list[int]]:
        """Every line from its game's start to its last node."""
        for leaf in self.leaves.tolist():
            yield self.line(leaf)
