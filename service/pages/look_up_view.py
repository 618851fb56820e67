"""What the look-up page shows beside the verdict and the plans: places, lines, similar pawns."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from pawnlore.service.pages.group_keys import GroupKey, group_keys
from pawnlore.service.pages.shown_text import shown
from pawnlore.service.played_line import PlayedLine
from pawnlore.service.position_places import Continuation
from pawnlore.service.repertoire_desk import OpenRepertoire
from pawnlore.structures.skeleton import Skeleton
from pawnlore.structures.verdict import Verdict

_NAME_ROOM, _MOST_PLACES, _MOST_MOVES, _MOST_SIMILAR = 160, 4, 30, 4
_MOST_GROUPS = 12
_FARTHEST = 6.0
"""Distance beyond which pawns are not called similar; see `pawn_distances`."""


@dataclass(frozen=True, slots=True)
class Place:
    """A node that has the position, with the chapter that it is in."""

    node: int
    chapter: str


@dataclass(frozen=True, slots=True)
class Here:
    """Where a repertoire has the position, and the moves that it goes on with.

    ``chapter`` is the one that all its places are in, empty where there is none.
    """

    places: tuple[Place, ...]
    more: int
    lines: int
    moves: tuple[Continuation, ...]
    complete: bool
    chapter: str


@dataclass(frozen=True, slots=True)
class SameStructure:
    """A group of a repertoire's lines with the structure of the position."""

    repertoire: str
    name: str
    holder: str
    whose: str | None
    words: str
    lines: int
    share: float


@dataclass(frozen=True, slots=True)
class Similar:
    """Pawns of a repertoire that are near: what differs, how many lines, and the first node."""

    skeleton: Skeleton
    words: str
    lines: int
    node: int


def here_in(opened: OpenRepertoire, line: PlayedLine) -> Here | None:
    """Where the repertoire has the position of a line; none without a board."""
    if line.board is None:
        return None
    book = opened.work.book
    found = opened.places.of(line.board)
    places = tuple(
        Place(node, shown(book.game_of(node).chapter, _NAME_ROOM))
        for node in found.nodes[:_MOST_PLACES]
    )
    more = max(0, len(found.nodes) - _MOST_PLACES)
    moves = tuple(move for move in found.moves if move.san != "--")[:_MOST_MOVES]
    chapters = {book.game_of(node).chapter for node in found.nodes}
    chapter = chapters.pop() if len(chapters) == 1 else ""
    return Here(places, more, found.lines, moves, found.complete, chapter)


def lines_with(opened: Iterable[OpenRepertoire], verdict: Verdict) -> tuple[SameStructure, ...]:
    """The groups of some repertoires that have a structure, its own holder's first."""
    if not verdict.settled:
        return ()
    found = groups_on(opened, verdict.structure)
    return tuple(sorted(found, key=lambda one: one.holder != verdict.holder))


def groups_on(opened: Iterable[OpenRepertoire], structure: str) -> tuple[SameStructure, ...]:
    """The groups of some repertoires that have a structure, whoever holds it."""
    found = []
    for one in opened:
        groups = one.work.groups
        for key in group_keys(groups):
            if key.structure != structure:
                continue
            group = groups.groups[key.place]
            name = shown(one.stored.name, _NAME_ROOM)
            found.append(
                SameStructure(
                    one.stored.id,
                    name,
                    key.holder,
                    key.whose,
                    key.words,
                    len(group.lines),
                    group.share,
                )
            )
    return tuple(found)


def middlegames_of(opened: OpenRepertoire) -> tuple[tuple[GroupKey, int], ...]:
    """The largest groups of a repertoire, each with the number of its lines."""
    groups = opened.work.groups
    keys = group_keys(groups)[:_MOST_GROUPS]
    return tuple((key, len(groups.groups[key.place].lines)) for key in keys)


def similar_in(opened: OpenRepertoire, skeleton: Skeleton) -> tuple[Similar, ...]:
    """The nearest other pawns of a repertoire."""
    near = opened.similar.nearest(
        skeleton, count=_MOST_SIMILAR + 1, mirrored=True, within=_FARTHEST
    )
    return tuple(
        Similar(
            one.skeleton,
            ("Colours reversed. " if one.mirrored else "") + "; ".join(one.differences[:4]),
            one.lines,
            one.entries[0],
        )
        for one in near
        if one.distance > 0 or one.mirrored
    )[:_MOST_SIMILAR]
