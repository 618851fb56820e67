"""Load: what a student has to remember, and what is shared.

A *move to remember* is a position in which the author's side is to move and
the repertoire has an answer; equal positions count once. A structure is to be
learnt where a line holds it (see `pawnlore.structures.structure_paths`).

What is *new* depends on what came before: for chapters the chapters above, for
groups the groups taught earlier, for a branch the rest of the repertoire.
Where nobody knows whose side a game is, it has no moves to remember.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pawnlore.structures.groups import Groups
from pawnlore.structures.lines_below import lines_below
from pawnlore.structures.repertoire import Repertoire
from pawnlore.structures.repertoire_side import RepertoireSide
from pawnlore.structures.structure_paths import Structure, StructurePaths
from pawnlore.structures.transpositions import Ancestry, NoPositions

_Places = npt.NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class Load:
    """What a part of a repertoire asks of a student.

    ``moves`` are the moves to remember; ``new_moves`` those that did not come
    before. ``transposed`` counts the moves to remember whose position is reached
    by more than one order of moves, here or elsewhere in the repertoire; coming
    back to a position in one line is none.
    ``deepest`` is the highest move number of them, 0 where there are none, and
    ``mean_depth`` the mean. ``structures`` are held by its lines and
    ``new_structures`` did not come before, both in the order met.
    """

    lines: int
    moves: int
    new_moves: int
    transposed: int
    deepest: int
    mean_depth: float
    structures: tuple[Structure, ...]
    new_structures: tuple[Structure, ...]

    @property
    def shared(self) -> float:
        """The share of the moves to remember that transpositions have in common, 0 to 1."""
        return self.transposed / self.moves if self.moves else 0.0


@dataclass(frozen=True, slots=True)
class ChapterLoad:
    """The load of one chapter; ``game`` is its place in the repertoire."""

    game: int
    chapter: str
    load: Load


@dataclass(frozen=True, slots=True)
class GroupLoad:
    """The load of one group; ``group`` is its place in the groups."""

    group: int
    load: Load


@dataclass(frozen=True, slots=True)
class BranchLoad:
    """The load of one branch; ``node`` is its first move.

    ``nodes`` holds that move on all of the lines that are meant, ``node`` first.
    """

    node: int
    load: Load
    nodes: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Comparison:
    """Alternatives at one position, each with its load.

    What is new is new next to the repertoire without any of them.
    ``cheapest`` is the place of the one with the fewest new moves and, where
    those are equal, with the fewest new structures, then with the least depth;
    none where nothing tells them apart.
    """

    node: int
    branches: tuple[BranchLoad, ...]
    cheapest: int | None


class LoadCounter:
    """Counts loads on one repertoire; what all counts need is worked out once.

    Needs position keys (raises `NoPositions`). The cost is linear in the nodes.
    """

    def __init__(self, book: Repertoire, paths: StructurePaths, side: RepertoireSide) -> None:
        if book.positions is None:
            raise NoPositions("read the repertoire with position keys first")
        self.book = book
        self.paths = paths
        count = len(book)
        self._positions: _Places = np.array(book.positions, dtype=np.intp)
        self._ply: _Places = np.array(book.ply, dtype=np.intp)
        self._parents: _Places = book.parents.astype(np.intp)
        self._own = self._own_moves(side)
        self._transposed = self._several_ways(count)
        # How often each position asks for a move, and how many lines hold each structure.
        asked = self._positions[self._parents[self._own]]
        self._asked: _Places = np.bincount(asked, minlength=count)
        self._holding = Counter(code for held in paths.held for code in set(held))
        self._ends = np.zeros(count, dtype=bool)
        self._ends[paths.leaves] = True
        self._known = self._nothing()
        self._answers: dict[int, dict[int, list[int]]] | None = None

    def whole(self) -> Load:
        """The load of everything; all of it is new."""
        return self._load(np.arange(len(self.book)), range(len(self.paths)), None, set())

    def chapters(self) -> list[ChapterLoad]:
        """The load of every chapter, in reading order; new next to the chapters above."""
        known = self._nothing()
        met: set[int] = set()
        leaves = self.paths.leaves.tolist()
        loads, line = [], 0
        for index, game in enumerate(self.book.games):
            nodes = np.arange(game.first, game.first + game.count)
            end = line
            while end < len(leaves) and leaves[end] < game.first + game.count:
                end += 1
            load = self._load(nodes, range(line, end), known, met)
            loads.append(ChapterLoad(index, game.chapter, load))
            line = end
        return loads

    def groups(self, found: Groups, order: Iterable[int] | None = None) -> list[GroupLoad]:
        """The load of groups, in an order of teaching (by default their own).

        A group's moves are those of its lines from the first move on.
        """
        known = self._nothing()
        met: set[int] = set()
        places = list(range(len(found)) if order is None else order)
        lines: dict[int, list[int]] = {place: [] for place in places}
        for line, place in enumerate(found.of_line):
            if place in lines:
                lines[place].append(line)
        mark = [-1] * len(self.book)
        parent = self.book.parent
        loads = []
        for turn, place in enumerate(places):
            nodes = []
            for leaf in found.groups[place].lines:
                node = leaf
                while node >= 0 and mark[node] != turn:
                    mark[node] = turn
                    nodes.append(node)
                    node = parent[node]
            where = np.array(sorted(nodes), dtype=np.intp)
            loads.append(GroupLoad(place, self._load(where, lines[place], known, met)))
        return loads

    def branch(self, node: int) -> BranchLoad:
        """The load of the branch that begins with the move to a node."""
        return self._branches(((node,),))[0]

    def compare(self, node: int, alternatives: Sequence[int] | None = None) -> Comparison:
        """Compare the alternatives at a node, by default all moves that follow it.

        Alternatives may also be moves from the same position elsewhere. Raises
        `ValueError` where there are fewer than two, or one starts elsewhere.
        """
        nodes = list(self.book.children(node) if alternatives is None else alternatives)
        if len(set(nodes)) < 2 or len(set(nodes)) < len(nodes):
            raise ValueError("there is nothing to compare: two different moves are needed")
        for one in nodes:
            above = self.book.parent[one]
            if above < 0 or self._positions[above] != self._positions[node]:
                raise ValueError(
                    f"{self.book.moves[one] or 'the start'} is no move in that position"
                )
        return self._compared(node, [[one] for one in nodes])

    def compare_everywhere(self, node: int) -> Comparison:
        """Compare all moves that any line plays in the position of a node.

        A move that several lines play there is one alternative, with all that
        follows it on any of them. Raises `ValueError` where there are fewer than two.
        """
        answers = self._answers_by_position().get(int(self._positions[node]), {})
        if len(answers) < 2:
            raise ValueError("there is nothing to compare: two different moves are needed")
        return self._compared(node, list(answers.values()))

    def places(self) -> list[tuple[int, int]]:
        """The positions in which there are several moves: a node of each, and its lines.

        A line counts for each of the moves that it plays there. Nothing is
        compared yet, so this is quick; `compare_everywhere` compares one place.
        """
        below = lines_below(self.book)
        found = []
        for answers in self._answers_by_position().values():
            if len(answers) > 1:
                first = min(nodes[0] for nodes in answers.values())
                lines = sum(below[node] for nodes in answers.values() for node in nodes)
                found.append((self.book.parent[first], lines))
        return found

    def branchings(self) -> Iterator[Comparison]:
        """Compare the moves in every position in which there are several, in reading order.

        The cost grows with the nodes below all these positions together.
        """
        for answers in self._answers_by_position().values():
            if len(answers) > 1:
                first = min(nodes[0] for nodes in answers.values())
                yield self._compared(self.book.parent[first], list(answers.values()))

    def _answers_by_position(self) -> dict[int, dict[int, list[int]]]:
        """For each position the moves played in it: the position after each, and its nodes."""
        if self._answers is None:
            found: dict[int, dict[int, list[int]]] = {}
            positions = self._positions.tolist()
            for node, above in enumerate(self.book.parent):
                if above >= 0:
                    after = found.setdefault(positions[above], {})
                    after.setdefault(positions[node], []).append(node)
            self._answers = found
        return self._answers

    def _compared(self, node: int, alternatives: Sequence[Sequence[int]]) -> Comparison:
        branches = self._branches(alternatives)
        costs = [(b.load.new_moves, len(b.load.new_structures), b.load.deepest) for b in branches]
        least = min(costs)
        cheapest = costs.index(least) if costs.count(least) == 1 else None
        return Comparison(node, tuple(branches), cheapest)

    def _branches(self, alternatives: Sequence[Sequence[int]]) -> list[BranchLoad]:
        """The loads of branches, each of which may begin at several nodes.

        The cost is that of the branches alone, not of the repertoire.
        """
        parts = [
            np.unique(np.concatenate([self._subtree(node) for node in nodes]))
            for nodes in alternatives
        ]
        lines = [np.searchsorted(self.paths.leaves, part[self._ends[part]]) for part in parts]
        inside = np.unique(np.concatenate(parts))
        own = inside[self._own[inside]]
        here, counts = np.unique(self._positions[self._parents[own]], return_counts=True)
        # What the rest asks for, or holds, comes up more often than inside.
        rest = here[self._asked[here] > counts]
        held = Counter(
            code
            for line in np.unique(np.concatenate(lines)).tolist()
            for code in set(self.paths.held[line])
        )
        met = {code for code, count in self._holding.items() if count > held[code]}
        loads = []
        for nodes, part, within in zip(alternatives, parts, lines, strict=True):
            self._known[rest] = True
            load = self._load(part, within.tolist(), self._known, set(met))
            self._known[here] = False
            loads.append(BranchLoad(nodes[0], load, tuple(nodes)))
        return loads

    def _load(
        self,
        nodes: _Places,
        lines: Iterable[int],
        known: npt.NDArray[np.bool_] | None,
        met: set[int],
    ) -> Load:
        """The load of some nodes and lines; what it teaches is added to ``known`` and ``met``."""
        own = nodes[self._own[nodes]]
        positions, first = np.unique(self._positions[self._parents[own]], return_index=True)
        # A position met at several depths counts where it stands first.
        depths = self._ply[self._parents[own[first]]] // 2 + 1
        new = len(positions)
        if known is not None:
            new = int((~known[positions]).sum())
            known[positions] = True
        listed = list(lines)
        codes = list(dict.fromkeys(code for line in listed for code in self.paths.held[line]))
        fresh = [code for code in codes if code not in met]
        met.update(fresh)
        return Load(
            lines=len(listed),
            moves=len(positions),
            new_moves=new,
            transposed=int(self._transposed[positions].sum()),
            deepest=int(depths.max()) if depths.size else 0,
            mean_depth=float(depths.mean()) if depths.size else 0.0,
            structures=self._named(codes),
            new_structures=self._named(fresh),
        )

    def _named(self, codes: Iterable[int]) -> tuple[Structure, ...]:
        named = (self.paths.structure(code) for code in codes)
        return tuple(structure for structure in named if structure is not None)

    def _nothing(self) -> npt.NDArray[np.bool_]:
        """For every position number: not known."""
        return np.zeros(len(self.book), dtype=bool)

    def _own_moves(self, side: RepertoireSide) -> npt.NDArray[np.bool_]:
        """Whether the author's side made the move to each node."""
        book = self.book
        turn = {"white": 0, "black": 1}
        turns = np.array(
            [turn.get(side.of_game(index), 2) for index in range(len(book.games))], dtype=np.intp
        )
        counts = np.array([game.count for game in book.games], dtype=np.intp)
        owner = np.repeat(turns, counts)
        own: npt.NDArray[np.bool_] = (self._parents >= 0) & (self._ply[self._parents] % 2 == owner)
        # Passing is no move to remember.
        own[[node for node, move in enumerate(book.moves) if move == "--"]] = False
        return own

    def _several_ways(self, count: int) -> npt.NDArray[np.bool_]:
        """For every position number, whether different orders of moves lead there."""
        ways: dict[tuple[int, int], int] = {}
        way_of = [0] * count
        first_way = [-1] * count
        first_node = [-1] * count
        several = np.zeros(count, dtype=bool)
        again = []
        positions = self._positions.tolist()
        for node, above in enumerate(self.book.parent):
            position = positions[node]
            # Equal numbers are equal sequences of positions from equal starts.
            way = ways.setdefault((way_of[above] if above >= 0 else -1, position), len(ways))
            way_of[node] = way
            if first_way[position] < 0:
                first_way[position], first_node[position] = way, node
            elif first_way[position] != way:
                again.append(node)
        if again:
            # Coming back to a position of one's own line is no other way.
            kin = Ancestry(self.book)
            for node in again:
                if not kin.above(first_node[positions[node]], node):
                    several[positions[node]] = True
        return several

    def _subtree(self, node: int) -> _Places:
        """A node and all that follows it, in reading order."""
        found, pending = [], [node]
        while pending:
            one = pending.pop()
            found.append(one)
            pending.extend(self.book.children(one))
        return np.array(sorted(found), dtype=np.intp)
