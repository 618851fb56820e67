"""Groups: the lines of a repertoire by middlegame type and by whose it is.

Every line is in exactly one group. A line belongs to its own middlegame
structure, but for one that stops in a position that another line takes
further: it is a move order into that line, and goes where that line goes.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pawnlore.structures.catalogue import UNSETTLED
from pawnlore.structures.finer_lines import FinerLines
from pawnlore.structures.repertoire import Repertoire
from pawnlore.structures.repertoire_side import RepertoireSide
from pawnlore.structures.structure_paths import NO_STRUCTURE, Structure, StructurePaths
from pawnlore.structures.transpositions import pointers
from pawnlore.structures.verdict import HOLDERS, Verdicts

STANCES = ("ours", "theirs", "shared", "open", "none")
"""Whose a group's structure is, seen from the author.

``open`` where nobody knows which side is the author's, ``none`` where there is
no structure.
"""


@dataclass(frozen=True, slots=True)
class ChapterRoute:
    """How one chapter leads to a group.

    ``game`` is the game's place in the repertoire. ``node`` is where the
    structure first settles in this chapter and ``ply`` the half-moves until
    then. Where it settles in no line of the chapter (``settles`` is false),
    because all of them are move orders, that is the end of the shortest one.
    ``main`` tells whether the chapter's main line is in the group.
    """

    game: int
    chapter: str
    lines: int
    ply: int
    node: int
    settles: bool
    main: bool


@dataclass(frozen=True, slots=True)
class Group:
    """Lines with one middlegame structure, one holder and one stance.

    ``structure`` is a family id or ``unsettled``; ``holder`` is ``white``,
    ``black`` or ``both``; ``stance`` is one of `STANCES`. ``lines`` are the last
    nodes of the group's lines in reading order, and ``move_orders`` those of
    them that only lead into another line. ``share`` is that of all lines.
    ``earliest_ply`` and ``earliest_node`` tell where the structure settles first
    (for ``unsettled``, where the shortest line ends). ``probability`` is the mean
    of the verdicts where the lines settle. ``model_line`` is the last node of the
    line that dwells in the structure longest. ``endings`` counts what its lines end
    in, where that is another structure. ``reversed`` are the places of the
    groups that have the same structure with the other side as its holder.
    ``finer`` are the author's own families that stand beside the structure (see
    `Verdict.finer`), each with the number of lines that come to it.
    """

    structure: str
    holder: str
    stance: str
    lines: tuple[int, ...]
    move_orders: tuple[int, ...]
    share: float
    earliest_ply: int
    earliest_node: int
    probability: float
    chapters: tuple[ChapterRoute, ...]
    model_line: int
    endings: tuple[tuple[Structure, int], ...]
    reversed: tuple[int, ...]
    finer: tuple[tuple[Structure, int], ...] = ()

    @property
    def settled(self) -> bool:
        """Whether a family is named."""
        return self.structure != UNSETTLED

    def holder_of(self, structure: str) -> str:
        """Who holds the group's structure or a finer one; empty for others and for several."""
        if structure == self.structure:
            return self.holder
        holders = {known.holder for known, _ in self.finer if known.structure == structure}
        return holders.pop() if len(holders) == 1 else ""


@dataclass(frozen=True)
class Groups:
    """The groups, largest first and ``unsettled`` last, and each line's place in them.

    ``of_line`` has an entry for every line, in the order of the paths.
    """

    groups: tuple[Group, ...]
    of_line: tuple[int, ...]

    def __len__(self) -> int:
        return len(self.groups)

    def find(self, structure: str, holder: str, stance: str) -> int | None:
        """The place of a group, or none."""
        for place, group in enumerate(self.groups):
            if (group.structure, group.holder, group.stance) == (structure, holder, stance):
                return place
        return None


@dataclass(frozen=True, slots=True)
class SamePlan:
    """Chapters whose main lines all lead to one group: its plan is taught more than once."""

    group: int
    chapters: tuple[ChapterRoute, ...]


def groups(
    book: Repertoire, verdicts: Verdicts, paths: StructurePaths, side: RepertoireSide
) -> Groups:
    """Put every line into its group; ``verdicts`` has one row a node.

    Move orders are recognised where the repertoire was read with position keys.
    """
    onward = pointers(book) if book.positions is not None else {}
    own = paths.middlegame.tolist()
    codes = _onward_codes(book, paths, own, onward)
    firsts = [game.first for game in book.games]
    leaves = paths.leaves.tolist()
    games = [bisect_right(firsts, leaf) - 1 for leaf in leaves]
    members: dict[tuple[int, str], list[int]] = defaultdict(list)
    for line, (code, game) in enumerate(zip(codes, games, strict=True)):
        members[code, _stance(code, side.of_game(game))].append(line)

    builder = _Builder(book, verdicts, paths, own, games, onward)
    order = sorted(members, key=lambda key: (key[0] < 0, -len(members[key]), members[key][0], key))
    of_line = [0] * len(leaves)
    for place, key in enumerate(order):
        for line in members[key]:
            of_line[line] = place
    found = [
        builder.group(code, stance, members[code, stance], _reversed(order, code))
        for code, stance in order
    ]
    return Groups(tuple(found), tuple(of_line))


def same_plan_chapters(found: Groups) -> list[SamePlan]:
    """The chapters that teach one plan twice, for every group that has some."""
    out = []
    for place, group in enumerate(found.groups):
        main = tuple(route for route in group.chapters if route.main)
        if group.settled and len(main) > 1:
            out.append(SamePlan(place, main))
    return out


def _stance(code: int, side: str) -> str:
    if code < 0:
        return "none"
    holder = HOLDERS[code % len(HOLDERS)]
    if holder == "both":
        return "shared"
    if side == "mixed":
        return "open"
    return "ours" if holder == side else "theirs"


def _reversed(order: Iterable[tuple[int, str]], code: int) -> tuple[int, ...]:
    kinds = len(HOLDERS)
    return tuple(
        place
        for place, (other, _) in enumerate(order)
        if other >= 0
        and code >= 0
        and other != code
        and other // kinds == code // kinds
        and "both" not in (HOLDERS[other % kinds], HOLDERS[code % kinds])
    )


def _onward_codes(
    book: Repertoire, paths: StructurePaths, own: list[int], onward: dict[int, int]
) -> list[int]:
    """Each line's structure code, where a move order has that of the line it leads into."""
    if not onward:
        return own
    ends = _main_ends(book)
    place = {leaf: line for line, leaf in enumerate(paths.leaves.tolist())}
    codes = list(own)
    for leaf in onward:
        # The line that it leads into may itself stop where a third one goes on.
        seen = {leaf}
        end = int(ends[onward[leaf]])
        while end in onward and end not in seen:
            seen.add(end)
            end = int(ends[onward[end]])
        if own[place[end]] != NO_STRUCTURE:
            codes[place[leaf]] = own[place[end]]
    return codes


def _main_ends(book: Repertoire) -> npt.NDArray[np.intp]:
    """Where the main line goes that continues from each node (N,): its last node."""
    count = len(book)
    ends = np.arange(count, dtype=np.intp)
    parents = book.parents
    below = np.flatnonzero(parents >= 0)[::-1]
    ends[parents[below]] = below
    while True:
        further = ends[ends]
        if np.array_equal(further, ends):
            return ends
        ends = further


class _Builder:
    """Makes groups out of the places of their lines."""

    def __init__(
        self,
        book: Repertoire,
        verdicts: Verdicts,
        paths: StructurePaths,
        own: list[int],
        games: list[int],
        onward: dict[int, int],
    ) -> None:
        self.book = book
        self.paths = paths
        self.own = own
        self.games = games
        self.onward = onward
        self.leaves: list[int] = paths.leaves.tolist()
        self.settles_at: list[int] = paths.settles_at.tolist()
        self.dwell: list[int] = paths.dwell.tolist()
        self.ending: list[int] = paths.ending.tolist()
        self.probability = verdicts.probability
        self.finer = FinerLines(paths)
        ends = _main_ends(book)
        self.main = {int(ends[game.first]) for game in book.games}

    def group(self, code: int, stance: str, lines: list[int], reversed_: tuple[int, ...]) -> Group:
        structure = self.paths.structure(code) or Structure(UNSETTLED, "both")
        leaves = [self.leaves[line] for line in lines]
        routes = self._routes(code, lines)
        first = min(routes, key=lambda route: (not route.settles, route.ply, route.node))
        settled = [self.settles_at[line] for line in lines if self.own[line] == code >= 0]
        sure = self.probability[settled or leaves]
        endings = Counter(
            self.ending[line]
            for line in lines
            if self.own[line] == code and self.ending[line] not in (code, NO_STRUCTURE)
        )
        finer = Counter(
            known for line in lines for known in self.finer.beside(code, self.leaves[line])
        )
        return Group(
            structure=structure.structure,
            holder=structure.holder,
            stance=stance,
            lines=tuple(leaves),
            move_orders=tuple(leaf for leaf in leaves if leaf in self.onward),
            share=len(lines) / len(self.leaves),
            earliest_ply=first.ply,
            earliest_node=first.node,
            probability=float(np.mean(sure)),
            chapters=routes,
            model_line=self.leaves[max(lines, key=lambda line: self._shows(code, line))],
            endings=self._most_first(endings),
            reversed=reversed_,
            finer=self._most_first(finer),
        )

    def _most_first(self, counts: Counter[int]) -> tuple[tuple[Structure, int], ...]:
        """Structures by their codes' counts, the most frequent first."""
        found = []
        for code, count in sorted(counts.items(), key=lambda item: (-item[1], item[0])):
            known = self.paths.structure(code)
            if known is not None:
                found.append((known, count))
        return tuple(found)

    def _shows(self, code: int, line: int) -> tuple[bool, int, bool, int]:
        """How well a line shows a structure: larger is better."""
        leaf = self.leaves[line]
        own = self.own[line] == code
        dwell = self.dwell[line] if own else 0
        return own and leaf not in self.onward, dwell, leaf in self.main, -line

    def _routes(self, code: int, lines: list[int]) -> tuple[ChapterRoute, ...]:
        by_game: dict[int, list[int]] = defaultdict(list)
        for line in lines:
            by_game[self.games[line]].append(line)
        routes = []
        ply = self.book.ply
        for game, inside in by_game.items():
            settled = [
                self.settles_at[line]
                for line in inside
                if self.own[line] == code >= 0 and self.leaves[line] not in self.onward
            ]
            places = settled or [self.leaves[line] for line in inside]
            node = min(places, key=lambda node: (ply[node], node))
            main = any(self.leaves[line] in self.main for line in inside)
            chapter = self.book.games[game].chapter
            routes.append(
                ChapterRoute(game, chapter, len(inside), ply[node], node, bool(settled), main)
            )
        return tuple(routes)
