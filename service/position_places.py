"""Where a repertoire has a position, whatever the order of moves, and how it goes on there."""

from __future__ import annotations

from dataclasses import dataclass
from threading import Lock

import chess
import numpy as np

from pawnlore.structures.lines_below import lines_below
from pawnlore.structures.position_key import position_key
from pawnlore.structures.repertoire import Repertoire
from pawnlore.structures.replay import Replay
from pawnlore.structures.skeleton import pack, skeleton_from_board

MOST_BOARDS = 3_000
"""Boards with the very same pawns that are set up and compared for one answer."""


@dataclass(frozen=True, slots=True)
class Continuation:
    """A move that the repertoire plays here: in SAN, the first node of it, and its lines."""

    san: str
    node: int
    lines: int


@dataclass(frozen=True, slots=True)
class Places:
    """The nodes that have a position, in reading order, and the moves that follow.

    ``lines`` counts the lines that pass one of the nodes. ``complete`` is false
    where more boards had the same pawns than are compared.
    """

    nodes: tuple[int, ...]
    moves: tuple[Continuation, ...]
    lines: int
    complete: bool = True


@dataclass
class PositionPlaces:
    """A repertoire that is asked where it has a position; keys that were made are kept.

    It may be used by several threads. A question costs a look at every node's
    pawns, and playing the moves to those that have the same ones.
    """

    book: Repertoire

    def __post_init__(self) -> None:
        self._keys: dict[int, bytes] = {}
        self._lines = lines_below(self.book)
        self._lock = Lock()

    def of(self, board: chess.Board) -> Places:
        """Where the repertoire has the position of a board.

        >>> import io
        >>> from pawnlore.structures.pgn_reader import read_repertoire
        >>> book = read_repertoire([io.StringIO("1. d4 d5 (1... Nf6 2. c4) 2. c4 Nf6 *")],
        ...                        with_keys=True)
        >>> asked = chess.Board()
        >>> for move in ("d4", "d5"): _ = asked.push_san(move)
        >>> found = PositionPlaces(book).of(asked)
        >>> found.nodes, [(one.san, one.lines) for one in found.moves]
        ((2,), [('c4', 1)])
        """
        book = self.book
        pawns = pack([skeleton_from_board(board)])[0]
        plies = np.frombuffer(book.ply, dtype=np.int32) if len(book) else np.empty(0, np.int32)
        same = (book.masks == pawns).all(axis=1) & (plies % 2 == (0 if board.turn else 1))
        candidates = np.flatnonzero(same)
        if not candidates.size or book.positions is None:
            return Places((), (), 0)
        numbers = np.frombuffer(book.positions, dtype=np.int32)
        distinct, first = np.unique(numbers[candidates], return_index=True)
        order = np.argsort(first).tolist()
        some = [int(distinct[place]) for place in order]
        representative = {int(distinct[k]): int(candidates[first[k]]) for k in order}
        wanted = position_key(board)
        with self._lock:
            complete = self._make_keys(some, representative)
            found = next((one for one in some if self._keys.get(one) == wanted), None)
        if found is None:
            return Places((), (), 0, complete)
        nodes = candidates[numbers[candidates] == found].tolist()
        return Places(
            tuple(nodes), self._onward(nodes), sum(self._lines[node] for node in nodes), True
        )

    def _make_keys(self, numbers: list[int], node_of: dict[int, int]) -> bool:
        """Whether all of some positions have keys now."""
        missing = [number for number in numbers if number not in self._keys]
        replay = Replay(self.book)
        for number in missing[:MOST_BOARDS]:
            self._keys[number] = position_key(replay.board(node_of[number]))
        return len(missing) <= MOST_BOARDS

    def _onward(self, nodes: list[int]) -> tuple[Continuation, ...]:
        first: dict[str, int] = {}
        lines: dict[str, int] = {}
        for node in nodes:
            for below in self.book.children(node):
                san = self.book.moves[below].rstrip("+#")
                first.setdefault(san, below)
                lines[san] = lines.get(san, 0) + self._lines[below]
        # The author's order: what comes first in the files is the main line.
        return tuple(
            Continuation(self.book.moves[node], node, lines[san]) for san, node in first.items()
        )
