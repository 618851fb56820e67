"""One group of a repertoire: what it turns into, how chapters lead there, its model line."""

from __future__ import annotations

from dataclasses import dataclass

from pawnlore.service.exports.split import author_of
from pawnlore.service.pages.finer_form import FinerForm, finer_form
from pawnlore.service.pages.group_cards import Because, because_of
from pawnlore.service.pages.group_filter import chapter_names
from pawnlore.service.pages.group_keys import HOLDERS, GroupKey, group_keys, heading
from pawnlore.service.pages.paging import Paging, paging
from pawnlore.service.pages.shown_text import shown
from pawnlore.service.workbook import Workbook
from pawnlore.structures.groups import Group
from pawnlore.structures.line_text import moves_text, numbered
from pawnlore.structures.skeleton import Skeleton

ROUTES = 12
"""Chapters on one page of the table of ways that lead to a group."""

_ENDINGS = 12
_NAME_ROOM = 140
_MOVES_ROOM = 400


@dataclass(frozen=True, slots=True)
class Route:
    """How one chapter leads to a group: the moves to where the structure settles.

    ``node`` is there, on the line that ends with ``leaf``. ``settles`` is false
    where the chapter has nothing but move orders into other lines.
    """

    value: str
    chapter: str
    lines: int
    move: str
    moves: str
    node: int
    settles: bool
    main: bool


@dataclass(frozen=True, slots=True)
class Ending:
    """What some lines of a group end in; ``key`` leads to its own group, where there is one."""

    name: str
    words: str
    lines: int
    key: GroupKey | None


@dataclass(frozen=True, slots=True)
class ModelLine:
    """The line that shows a group best: its moves, and where it ends and settles."""

    leaf: int
    node: int
    chapter: str
    moves: str


@dataclass(frozen=True, slots=True)
class GroupView:
    """What the page of a group tells, besides its lines.

    ``others`` are groups of the same structure, held by the other side or seen
    by another author. ``finer`` are the author's own families beside it, each
    with its lines. ``number`` is the place in the order to teach.
    """

    key: GroupKey
    group: Group
    skeleton: Skeleton | None
    orientation: str
    first: str
    first_node: int
    model: ModelLine
    endings: tuple[Ending, ...]
    more_endings: int
    routes: tuple[Route, ...]
    routes_paging: Paging
    others: tuple[GroupKey, ...]
    finer: tuple[tuple[FinerForm, int], ...]
    more_finer: int
    number: int | None
    because: Because | None


def group_view(work: Workbook, place: int, *, routes_page: int = 1) -> GroupView:
    """The view of the group at a place; ``routes_page`` is the page of the chapters."""
    group = work.groups.groups[place]
    keys = group_keys(work.groups)
    numbers = {step.group: number for number, step in enumerate(work.teaching, 1)}
    ordered = sorted(group.chapters, key=lambda route: -route.lines)
    paged = paging(len(ordered), routes_page, ROUTES)
    book = work.book
    routes = tuple(
        Route(
            value=chapter_names(work)[route.game],
            chapter=shown(route.chapter, _NAME_ROOM),
            lines=route.lines,
            move=numbered(book, route.node),
            moves=_moves(work, route.node),
            node=route.node,
            settles=route.settles,
            main=route.main,
        )
        for route in ordered[paged.start : paged.end]
    )
    by_pair: dict[tuple[str, str], GroupKey] = {}
    for key in keys:
        by_pair.setdefault((key.structure, key.holder), key)
    endings = tuple(
        Ending(
            heading(end.structure),
            HOLDERS[end.holder],
            lines,
            by_pair.get((end.structure, end.holder)),
        )
        for end, lines in group.endings[:_ENDINGS]
    )
    model = group.model_line
    settles = int(work.paths.settles_at[work.paths.index(model)])
    return GroupView(
        key=keys[place],
        group=group,
        skeleton=work.skeletons[place],
        orientation=author_of(group, work.side.side) or "white",
        first=numbered(book, group.earliest_node) if group.settled else "",
        first_node=group.earliest_node,
        model=ModelLine(
            model,
            settles if settles >= 0 else model,
            shown(book.game_of(model).chapter, _NAME_ROOM),
            _moves(work, model),
        ),
        endings=endings,
        more_endings=max(0, len(group.endings) - _ENDINGS),
        routes=routes,
        routes_paging=paged,
        others=tuple(
            key for key in keys if key.structure == group.structure and key.place != place
        )[:6]
        if group.settled
        else (),
        finer=tuple(
            (finer_form(*known, group.structure), lines) for known, lines in group.finer[:_ENDINGS]
        ),
        more_finer=max(0, len(group.finer) - _ENDINGS),
        number=numbers.get(place),
        because=because_of(work, place, keys, numbers),
    )


def _moves(work: Workbook, node: int) -> str:
    # No more of a long line than can be shown.
    line = work.book.line(node)
    return shown(moves_text(work.book, line[: _MOVES_ROOM + 1]), _MOVES_ROOM)
