"""A path of moves that somebody names: ``1. d4 d5 2. c4``, and the nodes it leads to."""

from __future__ import annotations

import re

import chess
import numpy as np
import numpy.typing as npt

from pawnlore.structures.pgn_headers import starting_board
from pawnlore.structures.repertoire import Repertoire
from pawnlore.structures.transpositions import NoPositions

MOST_MOVES = 1000
"""Half-moves of a path at most."""

_NUMBER = re.compile(r"(?<![\w-])\d{1,5}(?:\s*\.+|\s*…)")
_NAMED = 6
_SHOWN = 40


class PathProblem(ValueError):
    """A path that cannot be read, or that no line takes."""


def nodes_after(book: Repertoire, moves: str) -> list[int]:
    """All nodes of the position that a path of SAN moves leads to, in reading order.

    Move numbers and marks such as ``!`` may be there. The path may change over
    from one line to another where they meet. It begins where a game begins, in
    the usual position before others; without moves, the position is that one.
    Raises `PathProblem`, and `NoPositions` where the repertoire was read without
    position keys.

    >>> import io
    >>> from pawnlore.structures.pgn_reader import read_repertoire
    >>> text = "1. d4 (1. c4 e6 2. d4 d5) 1... d5 2. c4 e6 3. Nc3 *"
    >>> book = read_repertoire([io.StringIO(text)], with_keys=True)
    >>> [book.moves[node] for node in nodes_after(book, "1. c4 e6 2. d4 d5")]
    ['d5', 'e6']
    >>> nodes_after(book, "1. d4 d5 2. Nf3")
    Traceback (most recent call last):
        ...
    pawnlore.structures.move_path.PathProblem: no line plays 2.Nf3 after 1.d4 d5; there is 2.c4
    """
    if book.positions is None:
        raise NoPositions("read the repertoire with position keys first")
    words = [word.rstrip("!?") for word in _NUMBER.sub(" ", moves).split()]
    words = [word for word in words if word.strip(".…")]
    if len(words) > MOST_MOVES:
        raise PathProblem(f"the path has {len(words):,} half-moves; {MOST_MOVES:,} is the most")
    if not book.games:
        raise PathProblem("there are no games")
    positions = np.frombuffer(book.positions, dtype=np.int32)
    starts: dict[int, int] = {}
    # The usual starting position comes first.
    for game in sorted(book.games, key=lambda game: game.fen != ""):
        starts.setdefault(int(positions[game.first]), game.first)
    furthest, problem = -1, ""
    for first in starts.values():
        walk = _Walk(book, positions, first)
        for word in words:
            told = walk.step(word)
            if told:
                if walk.steps > furthest:
                    furthest, problem = walk.steps, told
                break
        else:
            return walk.nodes
    raise PathProblem(problem)


class _Walk:
    """A path as far as it has come: its board, and all nodes of that position."""

    def __init__(self, book: Repertoire, positions: npt.NDArray[np.int32], first: int) -> None:
        self.book, self.positions = book, positions
        self.board, _, _ = starting_board(list(book.game_of(first).headers))
        self.steps = 0
        self._half = book.ply[first]
        self._told: list[str] = []
        self._stand(first)

    def _stand(self, node: int) -> None:
        here = self.positions == self.positions[node]
        self.nodes: list[int] = np.flatnonzero(here).tolist()

    def step(self, word: str) -> str:
        """Make a move; else the reason why that cannot be."""
        shown = word if len(word) <= _SHOWN else word[:_SHOWN] + "…"
        after = f"after {' '.join(self._told[-8:])}" if self._told else "at the start"
        if len(self._told) > 8:
            after = after.replace("after ", "after … ", 1)
        try:
            move = self.board.parse_san(word)
        except ValueError as error:
            what = "is ambiguous" if isinstance(error, chess.AmbiguousMoveError) else "is no move"
            return f"{shown!r} {what} {after}"
        moves = {
            self.book.moves[child]: child
            for node in reversed(self.nodes)
            for child in reversed(self.book.children(node))
        }
        for san, child in moves.items():
            if self.board.parse_san(san) == move:
                self._told.append(self._numbered(san, first=not self._told))
                self.board.push(move)
                self.steps += 1
                self._half += 1
                self._stand(child)
                return ""
        played = [self._numbered(san, first=True) for san in reversed(moves)]
        known = ", ".join(played[:_NAMED]) + (", …" if len(played) > _NAMED else "")
        there = f"there is {known}" if played else "all lines end there"
        return f"no line plays {self._numbered(self.board.san(move), first=True)} {after}; {there}"

    def _numbered(self, san: str, *, first: bool) -> str:
        if self._half % 2 == 0:
            return f"{self._half // 2 + 1}.{san}"
        return f"{self._half // 2 + 1}...{san}" if first else san
