"""A repertoire split by middlegame type: one PGN file for each group of lines.

A file holds the lines of one group, each whole from the first move, merged
into one tree for each starting position. Comments and glyphs stay at their
moves; where a plan note begins to apply, it stands there as a comment.
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from pawnlore.service.exports.pgn import write_repertoire
from pawnlore.service.note_text import note_paragraphs
from pawnlore.service.workbook import Workbook
from pawnlore.structures.groups import Group
from pawnlore.structures.merged_tree import MergedTree, merged_tree
from pawnlore.structures.note_places import note_places, plan_in_group
from pawnlore.structures.plan_note import PlanNote
from pawnlore.structures.repertoire import Comment

_STANCES = {"ours": "ours", "theirs": "theirs", "shared": "both sides'", "none": ""}
_NOT_IN_NAMES = re.compile(r"[^a-z0-9]+")
_MARK = re.compile(r"(?m)^(?=[%\[;])")
_COLUMNS = 79


@dataclass(frozen=True)
class SplitFile:
    """One file of a split: its name, the group that it holds, and what it says.

    ``lines`` counts the group's lines and ``nodes`` those of the merged tree.
    ``notes`` are the plan notes that stand in it.
    """

    name: str
    title: str
    group: Group
    lines: int
    nodes: int
    notes: tuple[PlanNote, ...]
    text: str


def split_files(work: Workbook, notes: Iterable[PlanNote] = ()) -> Iterator[SplitFile]:
    """The files, in the order of the groups; every line is in exactly one of them.

    For notes with conditions the repertoire must have been read with FENs.
    """
    known = tuple(notes)
    for group, name in zip(work.groups.groups, _names(work.groups.groups), strict=True):
        title = group_title(work, group)
        tree = merged_tree(work.book, group.lines, _headers(work, group, title))
        placed = note_places(work.book, work.paths, group, known)
        used = _put_notes(tree, placed, group, work.side.side)
        text = "".join(write_repertoire(tree.book))
        yield SplitFile(name, title, group, len(group.lines), len(tree.book), used, text)


def group_title(work: Workbook, group: Group) -> str:
    """A group in words: its structure, and whose it is.

    The same words as in the tables: ``Carlsbad, ours``.
    """
    whose = _STANCES.get(group.stance, f"{group.holder.capitalize()}'s")
    return work.name_of(group.structure) + (f", {whose}" if whose else "")


def whose_plan(note: PlanNote, group: Group, side: str) -> str:
    """Whose plan a note holds, seen from the author: ``our plan`` and the like."""
    plan = plan_in_group(note, group)
    author = author_of(group, side)
    if plan == "both":
        return "a plan for both sides"
    if author is None:
        return f"{plan.capitalize()}'s plan"
    return "our plan" if plan == author else "their plan"


def author_of(group: Group, side: str) -> str | None:
    """The author's side in a group's lines, where it is known."""
    if group.holder in ("white", "black") and group.stance in ("ours", "theirs"):
        other = "black" if group.holder == "white" else "white"
        return group.holder if group.stance == "ours" else other
    return side if side in ("white", "black") else None


def note_comment(note: PlanNote, whose: str) -> Comment:
    """A note as a comment.

    It is plain text, with a line for each paragraph. Braces become brackets, since a comment cannot
    hold its own mark, and no line begins with a sign that means something else
    at the head of a line of PGN.
    """
    end = "" if note.title[-1] in ".!?…" else "."
    head = f"Plan note ({whose}): {note.title}{end}"
    lines = [
        line
        for part in (head, *note_paragraphs(note.body))
        for line in textwrap.wrap(part, _COLUMNS, break_long_words=False, break_on_hyphens=False)
    ]
    text = "\n".join(lines).replace("{", "(").replace("}", ")")
    return Comment(_MARK.sub(" ", text))


def _put_notes(
    tree: MergedTree, placed: dict[int, list[PlanNote]], group: Group, side: str
) -> tuple[PlanNote, ...]:
    """Add the notes to the tree's comments; those that were added, each once."""
    used: dict[PlanNote, None] = {}
    for node, notes in placed.items():
        comments = tree.book.comments.setdefault(tree.place[node], [])
        for note in notes:
            used[note] = None
            comment = note_comment(note, whose_plan(note, group, side))
            if comment not in comments:
                comments.append(comment)
    return tuple(used)


def _headers(work: Workbook, group: Group, title: str) -> tuple[tuple[str, str], ...]:
    games = [work.book.games[route.game] for route in group.chapters]
    annotators = dict.fromkeys(name for game in games if (name := game.header("Annotator")))
    headers = [
        ("Event", title),
        ("Site", "?"),
        ("Date", "????.??.??"),
        ("Round", "?"),
        ("White", "?"),
        ("Black", "?"),
        ("Result", "*"),
    ]
    if annotators:
        headers.append(("Annotator", "; ".join(annotators)))
    headers.append(("Chapters", "; ".join(dict.fromkeys(game.chapter for game in games))))
    return tuple(headers)


def _names(groups: Iterable[Group]) -> list[str]:
    """A file name for every group: its structure and whose it is.

    The names depend on nothing else, so that a split made again replaces its
    own files.
    """
    listed = list(groups)
    short = [_file_name(group, with_holder=group.stance == "open") for group in listed]
    names = [
        name if short.count(name) == 1 else _file_name(group, with_holder=True)
        for group, name in zip(listed, short, strict=True)
    ]
    taken: set[str] = set()
    for index, name in enumerate(names):
        stem, number = name, 1
        while name in taken:
            number += 1
            name = f"{stem}-{number}"
        taken.add(name)
        names[index] = name
    return [f"{name}.pgn" for name in names]


def _file_name(group: Group, *, with_holder: bool) -> str:
    stem = _NOT_IN_NAMES.sub("-", group.structure.lower()).strip("-")[:80] or "structure"
    if not group.settled:
        return stem
    whose = "both" if group.stance == "shared" else group.stance
    parts = [stem, group.holder if with_holder else "", "" if whose == "open" else whose]
    return "-".join(part for part in parts if part)
