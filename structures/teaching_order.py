"""An order in which to teach or record the groups, so that each builds on the last."""

from __future__ import annotations

from bisect import bisect_right
from collections import Counter
from dataclasses import dataclass

from pawnlore.structures.groups import Groups
from pawnlore.structures.structure_paths import StructurePaths

GROWS, TURNS, REVERSED, CHAPTER, ALONE = "grows", "turns", "reversed", "chapter", "alone"
"""Why a group comes next; all but the last one name an earlier group."""


@dataclass(frozen=True, slots=True)
class Step:
    """One group in the order of teaching.

    ``because`` is `GROWS` where the structure of group ``of`` stands just before
    this one, and `TURNS` where it comes just after, in at least half as many
    lines as show this one; ``lines`` counts them. It is `REVERSED` where both
    groups have one structure with different holders, `CHAPTER` where ``lines``
    of its lines stand in chapters of the other group, and `ALONE` where nothing
    ties it to what was taught; then ``of`` is none and ``lines`` counts all.
    """

    group: int
    because: str
    of: int | None
    lines: int


def teaching_order(paths: StructurePaths, found: Groups) -> list[Step]:
    """The groups that have a structure, in an order to teach them.

    What grows out of a group, or is its reverse, follows it; else the largest
    group that is left comes next. Before a group comes what it grows out of.
    """
    ties = _Ties(paths, found)
    best = {
        place: Step(place, ALONE, None, len(group.lines))
        for place, group in enumerate(found.groups)
        if group.settled
    }
    steps: list[Step] = []
    last: int | None = None
    while best:
        place = max(best.values(), key=lambda step: _merit(step, found, last)).group
        waiting: set[int] = set()
        while place not in waiting:
            waiting.add(place)
            roots = [one for one in best if one not in waiting and ties.grows_out_of(place, one)]
            place = max(roots, key=lambda one: ties.grows_out_of(place, one), default=place)
        steps.append(best.pop(place))
        last = place
        for other, known in best.items():
            step = _tie(ties, other, place)
            # Of two equally good reasons, the later lesson is the fresher one.
            if step is not None and _RANK[step.because] >= _RANK[known.because]:
                best[other] = step
    return steps


_RANK = {GROWS: 4, REVERSED: 3, TURNS: 2, CHAPTER: 1, ALONE: 0}


def _merit(step: Step, found: Groups, last: int | None) -> tuple[bool, bool, int, int]:
    strong = step.because in (GROWS, REVERSED)
    return strong, strong and step.of == last, len(found.groups[step.group].lines), -step.group


def _tie(ties: _Ties, place: int, other: int) -> Step | None:
    """The best reason to teach one group after another, or none."""
    lines = ties.grows_out_of(place, other)
    if lines:
        return Step(place, GROWS, other, lines)
    if other in ties.found.groups[place].reversed:
        return Step(place, REVERSED, other, len(ties.found.groups[place].lines))
    lines = ties.turns_into(place, other)
    if lines:
        return Step(place, TURNS, other, lines)
    lines = ties.shared_chapters(place, other)
    return Step(place, CHAPTER, other, lines) if lines else None


class _Ties:
    """What the lines say about pairs of groups."""

    def __init__(self, paths: StructurePaths, found: Groups) -> None:
        self.found = found
        self._own: Counter[int] = Counter()
        self._next: Counter[tuple[int, int]] = Counter()
        places: dict[tuple[str, str], list[int]] = {}
        for place, group in enumerate(found.groups):
            places.setdefault((group.structure, group.holder), []).append(place)
        self._games: list[Counter[int]] = [Counter() for _ in found.groups]
        orders = [frozenset(group.move_orders) for group in found.groups]
        own = paths.middlegame.tolist()
        firsts = [game.first for game in paths.book.games]
        leaves = paths.leaves.tolist()
        for line, place in enumerate(found.of_line):
            group = found.groups[place]
            same = paths.structure(own[line]) == (group.structure, group.holder)
            if not same or leaves[line] in orders[place]:
                continue
            self._own[place] += 1
            self._games[place][bisect_right(firsts, leaves[line]) - 1] += 1
            held = paths.held[line]
            at = held.index(own[line])
            for side, code in ((-1, held[at - 1 : at]), (1, held[at + 1 : at + 2])):
                for other in self._same_author(places, paths, code, place):
                    self._next[(other, place) if side < 0 else (place, other)] += 1

    def _same_author(
        self,
        places: dict[tuple[str, str], list[int]],
        paths: StructurePaths,
        codes: tuple[int, ...],
        place: int,
    ) -> list[int]:
        """The groups of some structures, as the author of a group sees them."""
        known = [paths.structure(code) for code in codes]
        groups = [places.get(one, []) for one in known if one is not None]
        return [
            next((p for p in some if self._agree(p, place)), some[0])
            for some in groups
            if some and some != [place]
        ]

    def _agree(self, one: int, other: int) -> bool:
        """Whether two groups can have the same author: holders differ where stances do."""
        first, second = self.found.groups[one], self.found.groups[other]
        return (first.holder == second.holder) == (first.stance == second.stance)

    def grows_out_of(self, place: int, other: int) -> int:
        """The lines of a group that hold another's structure just before, if half of them do."""
        lines = self._next[other, place]
        mutual = self._next[place, other]
        return lines if lines > mutual and 2 * lines >= self._own[place] else 0

    def turns_into(self, place: int, other: int) -> int:
        """The lines that hold a group's structure just before another's, if that is usual."""
        lines = self._next[place, other]
        return lines if 2 * lines >= self._own[place] else 0

    def shared_chapters(self, place: int, other: int) -> int:
        """The lines of a group that stand in chapters which another one has, too."""
        theirs = self._games[other]
        return sum(lines for game, lines in self._games[place].items() if game in theirs)
