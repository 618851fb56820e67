"""One position, many nodes: where the lines of a repertoire meet.

Two nodes are one position where pieces, side to move, castling rights and the
right to take en passant are equal. The repertoire must have been read with
position keys. All results stand in reading order.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pawnlore.structures.repertoire import Comment, Repertoire
from pawnlore.structures.repertoire_side import RepertoireSide


class NoPositions(ValueError):
    """The repertoire was read without position keys."""


@dataclass(frozen=True, slots=True)
class Join:
    """A line that reaches a known position by a move that no earlier line played.

    ``node`` is the first one to come this way and ``earlier`` the first node of
    the position. ``stops`` tells whether the joining line ends there, and
    ``goes_on`` whether some other line plays on from the position.
    """

    node: int
    earlier: int
    stops: bool
    goes_on: bool


@dataclass(frozen=True, slots=True)
class Stop:
    """A line that ends in a position from which another line goes on.

    ``goes_on`` is the first such node. Where it is the author's move
    (``author_to_move``) the line leaves its reader without an answer that
    exists elsewhere; else it merely leads into the other line. Where nobody
    knows whose repertoire it is, ``author_to_move`` is false.
    """

    leaf: int
    goes_on: int
    author_to_move: bool


@dataclass(frozen=True, slots=True)
class Contradiction:
    """One position in which the author's side gives several answers.

    ``answers`` holds the first node of each answer. ``apart`` is true where
    they stand on different lines; else they are alternatives at one node,
    which an author gives on purpose.
    """

    node: int
    answers: tuple[int, ...]
    apart: bool


@dataclass(frozen=True, slots=True)
class DoubleComment:
    """One position that different comments explain; one node for each of them."""

    nodes: tuple[int, ...]


def joins(book: Repertoire) -> list[Join]:
    """The lines that join an earlier one by a different move order.

    A position's predecessor is the position before the move. A join is the
    first node with a predecessor that the position did not have before;
    coming back to a position of one's own line is none.

    >>> import io
    >>> from pawnlore.structures.pgn_reader import read_repertoire
    >>> text = io.StringIO("1. d4 (1. Nf3 d5 2. d4) 1... d5 2. Nf3 Nf6 *")
    >>> book = read_repertoire([text], with_keys=True)
    >>> [(book.moves[join.node], join.earlier) for join in joins(book)]
    [('Nf3', 4)]
    """
    positions = _positions(book)
    if not len(book):
        return []
    parents = book.parents
    before = np.where(parents >= 0, positions[parents], -1)
    count = len(book)
    first = _first_by(positions, count)[positions]
    way = positions.astype(np.int64) * (count + 1) + before + 1
    _, first_way = np.unique(way, return_index=True)
    candidates = np.sort(first_way[(first[first_way] != first_way) & (before[first_way] >= 0)])
    if not candidates.size:
        return []
    kin = Ancestry(book)
    leaf = np.ones(count, dtype=bool)
    leaf[parents[parents >= 0]] = False
    played = np.zeros(count, dtype=bool)
    played[positions[~leaf]] = True
    found = []
    for node, earlier in zip(candidates.tolist(), first[candidates].tolist(), strict=True):
        if not kin.above(earlier, node):
            stops = bool(leaf[node])
            found.append(Join(node, earlier, stops, bool(played[positions[node]])))
    return found


def pointers(book: Repertoire) -> dict[int, int]:
    """For every line that stops where another goes on: its last node, and the first to go on.

    A line that ends in a repetition of its own is none.
    """
    positions = _positions(book)
    leaves = book.leaves
    parents = book.parents
    going = np.zeros(len(book), dtype=bool)
    going[parents[parents >= 0]] = True
    first = np.full(len(book), -1, dtype=np.intp)
    goers = np.flatnonzero(going)
    # The first one of each position is to stay, so the last one is written first.
    first[positions[goers[::-1]]] = goers[::-1]
    onward = first[positions[leaves]]
    known = onward >= 0
    if not known.any():
        return {}
    kin = Ancestry(book)
    return {
        leaf: node
        for leaf, node in zip(leaves[known].tolist(), onward[known].tolist(), strict=True)
        if not kin.above(node, leaf)
    }


def stopped_short(book: Repertoire, side: RepertoireSide) -> list[Stop]:
    """The lines that stop in a position from which another line goes on."""
    firsts = [game.first for game in book.games]
    return [
        Stop(leaf, node, _author_to_move(book, side, firsts, leaf))
        for leaf, node in pointers(book).items()
    ]


def contradictions(book: Repertoire, side: RepertoireSide) -> list[Contradiction]:
    """The positions in which the author's side has several answers.

    Only nodes of games whose author's side is known, and to move, count.
    """
    positions = _positions(book)
    moved = np.flatnonzero(book.parents >= 0)
    above = book.parents[moved]
    moved = moved[_authors_move(book, side, above)]
    above = book.parents[moved]
    if not moved.size:
        return []
    way = positions[above].astype(np.int64) * len(book) + positions[moved]
    _, first = np.unique(way, return_index=True)
    answers: dict[int, list[int]] = defaultdict(list)
    for node in moved[np.sort(first)].tolist():
        answers[int(positions[book.parent[node]])].append(node)
    found = []
    for nodes in answers.values():
        if len(nodes) > 1:
            parents = {book.parent[node] for node in nodes}
            found.append(Contradiction(min(parents), tuple(nodes), len(parents) > 1))
    found.sort(key=lambda one: one.node)
    return found


def double_comments(
    book: Repertoire, ignore: Callable[[Comment], bool] | None = None
) -> list[DoubleComment]:
    """The positions that different comments explain, after a move.

    ``ignore`` tells which comments explain nothing. Comments before a game's or a
    variation's first move introduce what follows, so they do not count.
    """
    positions = _positions(book)
    texts: dict[int, dict[str, int]] = defaultdict(dict)
    for node in sorted(book.comments):
        if book.parent[node] < 0:
            continue
        text = _said(book.comments[node], ignore)
        if text:
            texts[int(positions[node])].setdefault(text, node)
    found = [DoubleComment(tuple(nodes.values())) for nodes in texts.values() if len(nodes) > 1]
    return sorted(found, key=lambda one: one.nodes)


class Ancestry:
    """Tells in one step whether one node stands above another."""

    def __init__(self, book: Repertoire) -> None:
        parent = book.parent
        size = [1] * len(parent)
        for node in range(len(parent) - 1, -1, -1):
            above = parent[node]
            if above >= 0:
                size[above] += size[node]
        # Each node's branch takes up a range of numbers; a child's lies in its parent's.
        free = [0] * len(parent)
        start = [0] * len(parent)
        total = 0
        for node, above in enumerate(parent):
            if above < 0:
                start[node] = total
                total += size[node]
            else:
                start[node] = free[above]
                free[above] += size[node]
            free[node] = start[node] + 1
        self._start, self._size = start, size

    def above(self, node: int, below: int) -> bool:
        """Whether ``node`` is on the line to ``below``; a node stands above itself."""
        start = self._start[node]
        return start <= self._start[below] < start + self._size[node]


def _positions(book: Repertoire) -> npt.NDArray[np.int32]:
    if book.positions is None:
        raise NoPositions("read the repertoire with position keys first")
    if not book.positions:
        return np.empty(0, dtype=np.int32)
    return np.frombuffer(book.positions, dtype=np.int32)


def _first_by(positions: npt.NDArray[np.int32], count: int) -> npt.NDArray[np.intp]:
    first = np.full(count, -1, dtype=np.intp)
    first[positions[::-1]] = np.arange(count - 1, -1, -1)
    return first


def _authors_move(
    book: Repertoire, side: RepertoireSide, nodes: npt.NDArray[np.intp] | npt.NDArray[np.int32]
) -> npt.NDArray[np.bool_]:
    """Whether the author is to move at each of these nodes."""
    turn = {"white": 0, "black": 1}
    firsts = np.array([game.first for game in book.games], dtype=np.intp)
    turns = np.array([turn.get(side.of_game(index), 2) for index in range(len(firsts))])
    ply = np.frombuffer(book.ply, dtype=np.int32)
    owner = np.searchsorted(firsts, nodes, side="right") - 1
    same: npt.NDArray[np.bool_] = turns[owner] == ply[nodes] % 2
    return same


def _author_to_move(book: Repertoire, side: RepertoireSide, firsts: list[int], node: int) -> bool:
    author = side.of_game(bisect_right(firsts, node) - 1)
    return author == ("black" if book.ply[node] % 2 else "white")


def _said(comments: Iterable[Comment], ignore: Callable[[Comment], bool] | None) -> str:
    """What the comments say, with every run of white space as one space."""
    return " ".join(
        " ".join(comment.text.split())
        for comment in comments
        if not comment.before and not (ignore is not None and ignore(comment))
    ).strip()
