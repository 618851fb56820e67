"""Which groups of a repertoire are asked for: by chapter, by side, by structure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from pawnlore.service.html_text import clean
from pawnlore.service.pages.group_keys import heading
from pawnlore.service.pages.shown_text import shown
from pawnlore.service.workbook import Workbook
from pawnlore.structures.groups import Group

SIDES = {
    "ours": "ours",
    "theirs": "theirs",
    "white": "White’s",
    "black": "Black’s",
    "both": "both sides’",
}
"""Whose structure can be asked for."""

MOST_CHAPTERS = 60
"""Chapters that are offered in a list; where there are more, their names are typed."""

MOST_STRUCTURES = 150
"""Structures that are offered in a list."""

_NAME = 100
_ROOM = 80


@dataclass(frozen=True, slots=True)
class GroupFilter:
    """What is asked for; what is empty asks for nothing.

    ``chapter`` is a chapter's name, or where none has it a part of one.
    """

    chapter: str = ""
    side: str = ""
    structure: str = ""

    def __bool__(self) -> bool:
        return bool(self.chapter or self.side or self.structure)

    def takes(self, group: Group) -> bool:
        """Whether a group has the side and the structure that are asked for."""
        if self.structure and group.structure != self.structure:
            return False
        return not self.side or self.side in (group.stance, group.holder)


@dataclass(frozen=True, slots=True)
class Choice:
    """One entry of a list to choose from."""

    value: str
    words: str
    chosen: bool


@dataclass(frozen=True, slots=True)
class FilterChoices:
    """What a form offers; ``chapters`` is none where there are too many of them."""

    chapters: tuple[Choice, ...] | None
    sides: tuple[Choice, ...]
    structures: tuple[Choice, ...]


def group_filter(values: Mapping[str, str]) -> GroupFilter:
    """The filter of an address; a side that there is not asks for nothing."""
    side = values.get("side", "")
    return GroupFilter(
        chapter_name(values.get("chapter", "")),
        side if side in SIDES else "",
        values.get("structure", "").strip()[:_NAME],
    )


def chapter_name(text: str) -> str:
    """A chapter's name as it stands in an address: on one line, its beginning where it is long."""
    return clean(" ".join(text[: 4 * _NAME].split()))[:_NAME].strip()


def chapter_names(work: Workbook) -> tuple[str, ...]:
    """The chapter of every game, as it stands in an address."""
    return work.once(
        "chapter names", lambda: tuple(chapter_name(game.chapter) for game in work.book.games)
    )


def chosen_games(work: Workbook, chapter: str) -> frozenset[int] | None:
    """The places of the games of a chapter; none where no chapter is asked for.

    Games of that very name come first. Where there are none, those whose name
    holds the words.
    """
    if not chapter:
        return None
    names = chapter_names(work)
    same = frozenset(place for place, name in enumerate(names) if name == chapter)
    if same:
        return same
    part = chapter.casefold()
    return frozenset(place for place, name in enumerate(names) if part in name.casefold())


def filter_choices(work: Workbook, asked: GroupFilter) -> FilterChoices:
    """What the form of the filter offers."""
    names = work.once("chapters", lambda: tuple(dict.fromkeys(chapter_names(work))))
    chapters = None
    if len(names) <= MOST_CHAPTERS:
        chapters = tuple(
            Choice(name, shown(name, _ROOM), name == asked.chapter) for name in names if name
        )
    found = work.groups.groups
    there = {group.stance for group in found} | {group.holder for group in found if group.settled}
    if work.side.side in ("white", "black"):
        # Ours and White's would be the same question.
        there -= {"white", "black"}
    sides = tuple(
        Choice(side, words, side == asked.side) for side, words in SIDES.items() if side in there
    )
    structures = sorted(
        (heading(structure), structure) for structure in {group.structure for group in found}
    )
    return FilterChoices(
        chapters,
        sides,
        tuple(
            Choice(structure, shown(name, _ROOM), structure == asked.structure)
            for name, structure in structures[:MOST_STRUCTURES]
        ),
    )
