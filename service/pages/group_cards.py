"""The groups of a repertoire as cards: what each is, how much it is, and what leads there."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from pawnlore.service.exports.split import author_of
from pawnlore.service.pages.group_filter import GroupFilter, chapter_names, chosen_games
from pawnlore.service.pages.group_keys import GroupKey, group_keys
from pawnlore.service.pages.paging import Paging, paging
from pawnlore.service.pages.shown_text import shown
from pawnlore.service.workbook import Workbook
from pawnlore.structures.groups import Group
from pawnlore.structures.line_text import numbered
from pawnlore.structures.note_places import notes_of_group, structures_of_group
from pawnlore.structures.plan_note import PlanNote
from pawnlore.structures.skeleton import Skeleton

CARDS = 24
"""Cards on one page."""

BY_SIZE, TO_TEACH = "size", "teach"
"""Orders of the cards: the largest first, or so that each builds on earlier ones."""

_CHAPTERS = 3
_ROOM = 160


@dataclass(frozen=True, slots=True)
class ChapterShare:
    """A chapter that leads to a group, with how many of its lines do.

    ``value`` is the chapter's name as it stands in an address, ``main`` tells
    whether the chapter's main line goes there.
    """

    value: str
    words: str
    lines: int
    main: bool


@dataclass(frozen=True, slots=True)
class Because:
    """Why a group comes at its place in the order to teach: its kind, the other group, lines."""

    kind: str
    of: GroupKey | None
    number: int
    lines: int


@dataclass(frozen=True, slots=True)
class GroupCard:
    """One group.

    ``lines`` counts those of the chapters that are asked for, and ``share`` is
    theirs of all lines of these chapters; ``width`` is the share seen from the
    largest card. ``first`` is the move with which the structure stands first,
    in the whole repertoire. ``notes`` counts the plan notes on it. ``number``
    is its place in the order to teach, none where there is no structure.
    """

    key: GroupKey
    settled: bool
    skeleton: Skeleton | None
    orientation: str
    lines: int
    move_orders: int
    share: float
    width: float
    first: str
    chapters: tuple[ChapterShare, ...]
    more_chapters: int
    notes: int
    number: int | None
    because: Because | None


@dataclass(frozen=True, slots=True)
class CardPage:
    """A page of cards: ``groups`` groups are asked for, with ``lines`` lines in them."""

    cards: tuple[GroupCard, ...]
    paging: Paging
    groups: int
    lines: int


def group_cards(
    work: Workbook,
    notes: Sequence[PlanNote] = (),
    asked: GroupFilter | None = None,
    *,
    order: str = BY_SIZE,
    page: int = 1,
) -> CardPage:
    """The cards of one page; ``notes`` are those that the reader may see."""
    asked = asked or GroupFilter()
    found = work.groups.groups
    games = chosen_games(work, asked.chapter)
    lines = [_lines(group, games) for group in found]
    places = [place for place, group in enumerate(found) if lines[place] and asked.takes(group)]
    numbers = {step.group: number for number, step in enumerate(work.teaching, 1)}
    if order == TO_TEACH:
        last = len(found)
        places.sort(key=lambda place: numbers.get(place, last + place))
    else:
        places.sort(key=lambda place: (not found[place].settled, -lines[place], place))
    paged = paging(len(places), page, CARDS)
    chosen = places[paged.start : paged.end]
    whole = sum(lines)
    largest = max((lines[place] for place in places), default=0)
    keys = group_keys(work.groups)
    by_structure: dict[str, list[PlanNote]] = {}
    for note in notes:
        by_structure.setdefault(note.structure, []).append(note)
    cards = []
    for place in chosen:
        group = found[place]
        chapters, more = _chapters(work, place, games)
        cards.append(
            GroupCard(
                key=keys[place],
                settled=group.settled,
                skeleton=work.skeletons[place],
                orientation=author_of(group, work.side.side) or "white",
                lines=lines[place],
                move_orders=_move_orders(work, group, games),
                share=lines[place] / whole,
                width=lines[place] / largest,
                first=numbered(work.book, group.earliest_node) if group.settled else "",
                chapters=chapters,
                more_chapters=more,
                notes=len(notes_of_group(_about(group, by_structure), group)),
                number=numbers.get(place),
                because=because_of(work, place, keys, numbers),
            )
        )
    return CardPage(tuple(cards), paged, len(places), sum(lines[place] for place in places))


def _about(group: Group, by_structure: dict[str, list[PlanNote]]) -> Iterator[PlanNote]:
    for structure in dict.fromkeys(known.structure for known in structures_of_group(group)):
        yield from by_structure.get(structure, ())


def because_of(
    work: Workbook, place: int, keys: Sequence[GroupKey], numbers: dict[int, int]
) -> Because | None:
    """Why a group comes at its place in the order to teach; none where it has none."""
    number = numbers.get(place)
    if number is None:
        return None
    step = work.teaching[number - 1]
    if step.of is None:
        return Because(step.because, None, 0, step.lines)
    return Because(step.because, keys[step.of], numbers[step.of], step.lines)


def _chapters(
    work: Workbook, place: int, games: frozenset[int] | None
) -> tuple[tuple[ChapterShare, ...], int]:
    """The chapters with most of a group's lines, and how many more there are."""
    if games is None:
        return work.once(f"chapters of group {place}", lambda: _shares(work, place, None))
    return _shares(work, place, games)


def _shares(
    work: Workbook, place: int, games: frozenset[int] | None
) -> tuple[tuple[ChapterShare, ...], int]:
    names = chapter_names(work)
    lines: Counter[str] = Counter()
    main: set[str] = set()
    for route in work.groups.groups[place].chapters:
        if games is None or route.game in games:
            lines[names[route.game]] += route.lines
            if route.main:
                main.add(names[route.game])
    told = tuple(
        ChapterShare(name, shown(name, _ROOM), count, name in main)
        for name, count in lines.most_common(_CHAPTERS)
    )
    return told, len(lines) - len(told)


def _lines(group: Group, games: frozenset[int] | None) -> int:
    if games is None:
        return len(group.lines)
    return sum(route.lines for route in group.chapters if route.game in games)


def _move_orders(work: Workbook, group: Group, games: frozenset[int] | None) -> int:
    if games is None or not group.move_orders:
        return len(group.move_orders)
    ranges = [work.book.games[game].nodes for game in games]
    return sum(any(leaf in nodes for nodes in ranges) for leaf in group.move_orders)
