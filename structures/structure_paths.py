"""Structure paths: what each line of a repertoire turns into, ply by ply.

A node's verdict says what stands on the board at that moment. A path says what
a line is about. In the middle of an exchange the last structure is carried
across: a capture that is about to be answered is not yet a change. A run of
nodes with one structure is a span. A span is *held* where it lasts for at
least four half-moves, or to the end of the line.

The **middlegame structure** of a line is the one that it dwells in longest
over its held spans (at a tie, the one held first). Its **ending structure** is
the last one held.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from pawnlore.structures.catalogue import OWN_PREFIX
from pawnlore.structures.repertoire import Repertoire
from pawnlore.structures.verdict import HOLDERS, NONE, Verdicts

HELD = 4
"""Half-moves for which a structure must stand to count as held."""

NO_STRUCTURE = -1
"""Structure code where no family stands."""


class Structure(NamedTuple):
    """A family id and its holder (``white``, ``black`` or ``both``)."""

    structure: str
    holder: str


class Span(NamedTuple):
    """A structure, and the first and last node of a line where it stands without a break.

    ``held`` tells whether it lasts long enough to count.
    """

    structure: Structure
    first: int
    last: int
    held: bool


@dataclass(frozen=True, slots=True)
class LinePath:
    """The structures of one line, from its game's start to its last node.

    ``spans`` leaves out the nodes where no family stands. ``settles_at`` is the
    node where the middlegame structure is first held, and ``passed`` names the
    families that stood for a while but were never held, in order.
    """

    leaf: int
    nodes: tuple[int, ...]
    spans: tuple[Span, ...]
    middlegame: Structure | None
    settles_at: int | None
    ending: Structure | None
    passed: tuple[str, ...]

    @property
    def changes(self) -> tuple[int, ...]:
        """The nodes whose move brought a new structure about."""
        return tuple(span.first for span in self.spans)


@dataclass(frozen=True)
class StructurePaths:
    """The paths of all L lines of a repertoire of N nodes, as columns.

    ``leaves`` (L,) are the lines' last nodes in reading order. ``middlegame``
    and ``ending`` (L,) hold structure codes (see `structure`) or
    `NO_STRUCTURE`; ``settles_at`` (L,) holds nodes or -1; ``dwell`` (L,) counts
    the half-moves for which the middlegame structure is held. ``held`` has, for
    each line, the codes of all structures that it holds, in the order first held.
    ``carried`` (N,) is every node's structure code, with exchanges carried across.
    ``finer`` (N,) is the code of the author's own family that stands at a node
    beside the core which names it (see `Verdict.finer`), or `NO_STRUCTURE`.
    """

    book: Repertoire
    names: tuple[str, ...]
    leaves: npt.NDArray[np.intp]
    middlegame: npt.NDArray[np.int32]
    ending: npt.NDArray[np.int32]
    settles_at: npt.NDArray[np.int32]
    dwell: npt.NDArray[np.int32]
    held: tuple[tuple[int, ...], ...]
    carried: npt.NDArray[np.int32]
    finer: npt.NDArray[np.int32]

    def __len__(self) -> int:
        return int(self.leaves.shape[0])

    def __iter__(self) -> Iterator[LinePath]:
        return (self.path(index) for index in range(len(self)))

    def structure(self, code: int) -> Structure | None:
        """The structure that a code stands for, or none for `NO_STRUCTURE`."""
        if code < 0:
            return None
        family, holder = divmod(int(code), len(HOLDERS))
        return Structure(self.names[family], HOLDERS[holder])

    def code(self, structure: str, holder: str) -> int:
        """The code of a structure, the other way about."""
        return self.names.index(structure) * len(HOLDERS) + HOLDERS.index(holder)

    def index(self, leaf: int) -> int:
        """The place of a line in the columns, by its last node.

        Raises `KeyError` where the node ends no line.
        """
        place = int(np.searchsorted(self.leaves, leaf))
        if place == len(self) or self.leaves[place] != leaf:
            raise KeyError(leaf)
        return place

    def path(self, index: int) -> LinePath:
        """One line's path in full."""
        leaf = int(self.leaves[index])
        nodes = tuple(self.book.line(leaf))
        spans = tuple(self._spans(nodes))
        held = {span.structure for span in spans if span.held}
        passed = dict.fromkeys(
            span.structure.structure for span in spans if span.structure not in held
        )
        settles_at = int(self.settles_at[index])
        return LinePath(
            leaf=leaf,
            nodes=nodes,
            spans=spans,
            middlegame=self.structure(int(self.middlegame[index])),
            settles_at=settles_at if settles_at >= 0 else None,
            ending=self.structure(int(self.ending[index])),
            passed=tuple(passed),
        )

    def _spans(self, nodes: tuple[int, ...]) -> Iterator[Span]:
        codes = self.carried[list(nodes)].tolist()
        start, count = 0, len(nodes)
        for place in range(1, count + 1):
            if place < count and codes[place] == codes[start]:
                continue
            structure = self.structure(codes[start])
            if structure is not None:
                held = place - start >= HELD or place == count
                yield Span(structure, nodes[start], nodes[place - 1], held)
            start = place


_Held = dict[int, tuple[int, int]]
"""Half-moves held and node first held, by structure code, in the order first held."""


def structure_paths(book: Repertoire, verdicts: Verdicts) -> StructurePaths:
    """The path of every line; ``verdicts`` has one row a node.

    The cost grows with the number of nodes, not with the length of the lines:
    what lines have in common is computed once.
    """
    codes_of_nodes = structure_codes(verdicts)
    carried = carry_exchanges(book, codes_of_nodes)
    finer = finer_codes(verdicts)
    # In the middle of an exchange a node's own verdict does not count.
    finer[carried != codes_of_nodes] = NO_STRUCTURE
    leaves = book.leaves
    first = _first_of_span(book.parents, carried)
    closed = _closed_spans(book, carried, first)

    count = len(leaves)
    middlegame = np.full(count, NO_STRUCTURE, dtype=np.int32)
    ending = np.full(count, NO_STRUCTURE, dtype=np.int32)
    settles_at = np.full(count, -1, dtype=np.int32)
    dwell = np.zeros(count, dtype=np.int32)
    held_on: list[tuple[int, ...]] = []
    ply = book.ply
    starts, codes = first[leaves].tolist(), carried[leaves].tolist()
    for index, (leaf, start, code) in enumerate(zip(leaves.tolist(), starts, codes, strict=True)):
        held, last = closed[start]
        if code >= 0:
            held = _with(held, code, start, ply[leaf] - ply[start] + 1)
            last = code
        held_on.append(tuple(held))
        if held:
            # The first of the longest, and a dictionary keeps the order first held.
            best = max(held, key=lambda known: held[known][0])
            middlegame[index] = best
            dwell[index], settles_at[index] = held[best]
            ending[index] = last
    return StructurePaths(
        book=book,
        names=verdicts.names,
        leaves=leaves,
        middlegame=middlegame,
        ending=ending,
        settles_at=settles_at,
        dwell=dwell,
        held=tuple(held_on),
        carried=carried,
        finer=finer,
    )


def structure_codes(verdicts: Verdicts) -> npt.NDArray[np.int32]:
    """Family and holder of each verdict as one number (N,), or `NO_STRUCTURE`."""
    family = verdicts.family.astype(np.int32)
    codes = family * len(HOLDERS) + verdicts.holder
    codes[family == NONE] = NO_STRUCTURE
    return codes.astype(np.int32)


def finer_codes(verdicts: Verdicts) -> npt.NDArray[np.int32]:
    """Family and holder of each verdict's finer family (N,), or `NO_STRUCTURE`."""
    own = np.array([name.startswith(OWN_PREFIX) for name in verdicts.names] + [False])
    stands = verdicts.core & own[verdicts.second] & (verdicts.second_probability > 0)
    codes = verdicts.second.astype(np.int32) * len(HOLDERS) + verdicts.second_holder
    return np.where(stands, codes, NO_STRUCTURE).astype(np.int32)


def carry_exchanges(book: Repertoire, codes: npt.NDArray[np.int32]) -> npt.NDArray[np.int32]:
    """The codes (N,), with the last structure carried across exchanges.

    A node is in the middle of an exchange where a capture led to it and every
    continuation takes back on the same square and leaves another structure;
    also where no family stands after a capture that does not itself take back.
    Its own verdict does not count then.
    """
    parent = book.parent
    taken_on = {
        node: move[move.index("x") + 1 :][:2] for node, move in enumerate(book.moves) if "x" in move
    }
    carried: list[int] = codes.tolist()
    answers = Counter(
        parent[node]
        for node, square in taken_on.items()
        if taken_on.get(parent[node]) == square and carried[node] != carried[parent[node]]
    )
    parents = book.parents
    children = np.bincount(parents[parents >= 0], minlength=len(book)).tolist()
    for node, square in taken_on.items():
        above = parent[node]
        goes_on = node in answers and answers[node] == children[node]
        if goes_on or (carried[node] < 0 and taken_on.get(above) != square):
            carried[node] = carried[above]
    return np.array(carried, dtype=np.int32)


def _first_of_span(
    parents: npt.NDArray[np.int32], carried: npt.NDArray[np.int32]
) -> npt.NDArray[np.intp]:
    """The first node (N,) of the span that each node stands in.

    Nodes point at their parents until they point at the first; each round
    doubles the distance, so that a line of a thousand moves takes ten rounds.
    """
    own = np.arange(parents.shape[0], dtype=np.intp)
    above = np.where(parents >= 0, parents, own)
    first = np.where(carried == carried[above], above, own)
    while True:
        further = first[first]
        if np.array_equal(further, first):
            return first
        first = further


def _closed_spans(
    book: Repertoire, carried: npt.NDArray[np.int32], first: npt.NDArray[np.intp]
) -> dict[int, tuple[_Held, int]]:
    """For the first node of every span: what the line held before it, and what last."""
    nothing: tuple[_Held, int] = ({}, NO_STRUCTURE)
    closed: dict[int, tuple[_Held, int]] = {}
    parent, ply = book.parent, book.ply
    starts = np.flatnonzero(first == np.arange(first.shape[0]))
    above = book.parents[starts]
    # At a game's start, -1 reads the last entry, which is not used.
    codes, befores = carried[above].tolist(), first[above].tolist()
    for start, code, before in zip(starts.tolist(), codes, befores, strict=True):
        end = parent[start]
        if end < 0:
            closed[start] = nothing
            continue
        held = closed[before]
        length = ply[end] - ply[before] + 1
        if code >= 0 and length >= HELD:
            held = (_with(held[0], code, before, length), code)
        closed[start] = held
    return closed


def _with(held: _Held, code: int, first: int, length: int) -> _Held:
    """What was held, with one more span."""
    more = dict(held)
    known, since = more.get(code, (0, first))
    more[code] = (known + length, since)
    return more
