"""Groups by what stands in their address: structure, holder and, where needed, whose."""

from __future__ import annotations

from dataclasses import dataclass

from pawnlore.service.pages.own_names import own_name
from pawnlore.structures.groups import Group, Groups
from pawnlore.structures.line_text import family_name

HOLDERS = {"white": "White’s", "black": "Black’s", "both": "both sides’"}
"""Whose a structure is, in words."""


@dataclass(frozen=True, slots=True)
class GroupKey:
    """What leads to a group, and what it is called.

    ``whose`` is the group's stance where several groups have one structure and
    holder, else none. ``words`` say whose the structure is: ``ours, White’s``.
    """

    place: int
    structure: str
    holder: str
    whose: str | None
    name: str
    words: str


def group_keys(found: Groups) -> tuple[GroupKey, ...]:
    """The keys of all groups, in their order."""
    seen: dict[tuple[str, str], int] = {}
    for group in found.groups:
        pair = (group.structure, group.holder)
        seen[pair] = seen.get(pair, 0) + 1
    return tuple(
        GroupKey(
            place,
            group.structure,
            group.holder,
            group.stance if seen[group.structure, group.holder] > 1 else None,
            heading(group.structure),
            whose_in_words(group),
        )
        for place, group in enumerate(found.groups)
    )


def find_group(found: Groups, structure: str, holder: str, whose: str = "") -> int | None:
    """The place of the group of an address, or none; the largest where ``whose`` is empty."""
    for place, group in enumerate(found.groups):
        same = (group.structure, group.holder) == (structure, holder)
        if same and whose in ("", group.stance):
            return place
    return None


def whose_in_words(group: Group) -> str:
    """Whose a group's structure is: ``ours, White’s``; empty where there is none."""
    if not group.settled:
        return ""
    holder = HOLDERS[group.holder]
    return f"{group.stance}, {holder}" if group.stance in ("ours", "theirs") else holder


def heading(structure: str) -> str:
    """A structure's name as a heading.

    >>> heading("hanging-pawns"), heading("c5-wedge"), heading("unsettled")
    ('Hanging pawns', 'c5 wedge', 'No structure settles')
    """
    if structure.startswith("own/"):
        return own_name(structure)
    name = family_name(structure)
    # Names that begin with a square keep their small letter.
    begins_with_square = len(name) > 1 and name[0] in "abcdefgh" and not name[1].isalpha()
    return name if begins_with_square else name[:1].upper() + name[1:]
