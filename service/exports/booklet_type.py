"""One middlegame type in the booklet: what it is, whose plans, breaks and lines."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import chess

from pawnlore.service.diagram import board_svg, skeleton_svg
from pawnlore.service.diagram_marks import Mark
from pawnlore.service.exports.booklet_games import games_html
from pawnlore.service.exports.booklet_lines import LineLabels, lines_html
from pawnlore.service.exports.split import author_of, whose_plan
from pawnlore.service.html_text import html_text
from pawnlore.service.note_text import note_html
from pawnlore.service.survey.type_games import SurveyedTypes
from pawnlore.service.workbook import Workbook
from pawnlore.structures.breaks import BreakTree, Prospect, break_tree
from pawnlore.structures.catalogue import Family, shipped_catalogue
from pawnlore.structures.debt import Debt
from pawnlore.structures.groups import Group
from pawnlore.structures.line_text import line_text, moves_text, numbered
from pawnlore.structures.note_places import notes_of_group, plan_in_group
from pawnlore.structures.plan_note import PlanNote
from pawnlore.structures.plan_texts import plan_texts
from pawnlore.structures.prose_mirror import told_for
from pawnlore.structures.query_position import query_position
from pawnlore.structures.reminders import OnlyMove, Reminder, Warned
from pawnlore.structures.skeleton import Skeleton, placement
from pawnlore.structures.transpositions import Join
from pawnlore.structures.verdict import Classify

SECTION_NAMES = {
    "breaks": "Breaks",
    "pieces": "Pieces",
    "squares": "Squares",
    "manoeuvre": "A typical manoeuvre",
    "mistake": "A typical mistake",
}
_SQUARE = re.compile(r"[a-h](?:[1-8]|-| and )")
_MOST_BREAKS = 6
_MOST_BRANCHES = 3
_MOST_MARKS = 12
_HOLDERS = {"white": "White’s", "black": "Black’s"}


@dataclass
class Remarks:
    """What belongs to the lines of one type, by kind, in reading order."""

    joins: list[Join] = field(default_factory=list)
    reminders: list[Reminder] = field(default_factory=list)
    warnings: list[Warned] = field(default_factory=list)
    only_moves: list[OnlyMove] = field(default_factory=list)
    owed: list[Debt] = field(default_factory=list)


def stance_in_words(group: Group) -> str:
    """Whose a structure is: ``ours, White’s`` and the like."""
    holder = _HOLDERS.get(group.holder)
    if not group.settled:
        return ""
    if group.stance in ("ours", "theirs") and holder is not None:
        return f"{group.stance}, {holder}"
    return holder or "both sides’"


def as_heading(name: str) -> str:
    """A structure's name with a capital, unless it begins with a square.

    >>> as_heading("hanging pawns"), as_heading("c5 wedge")
    ('Hanging pawns', 'c5 wedge')
    """
    return name if _SQUARE.match(name) else name[:1].upper() + name[1:]


def type_html(
    work: Workbook,
    group: Group,
    number: int,
    because: str,
    notes: Sequence[PlanNote],
    classify: Classify,
    labels: LineLabels,
    onward: dict[int, int],
    remarks: Remarks,
    surveyed: SurveyedTypes | None = None,
) -> Iterator[str]:
    """The section of one type; ``because`` says why it comes at this place.

    Of a type that no game of the survey holds, nothing is said of games.
    """
    own = notes_of_group(notes, group)
    yield f'<section class="type" id="type-{number}" aria-labelledby="head-{number}">\n'
    yield '<div class="keep">\n'
    yield f'<h2 id="head-{number}"><span class="number">{number}</span> '
    yield f"{html_text(as_heading(work.name_of(group.structure)))}"
    if group.settled:
        stance = html_text(stance_in_words(group))
        yield f' <span class="stance {group.stance}">{stance}</span>'
    yield "</h2>\n"
    yield f'<p class="facts">{html_text(_facts(work, group))}{because}</p>\n'
    skeleton = _skeleton(work, group)
    if skeleton is not None:
        yield from _diagrams(work, group, skeleton, own)
    yield "</div>\n"
    family = _family(group.structure)
    if family is not None:
        yield from _what_it_is(family, group)
    if group.settled:
        yield from _plans(work, group, family, own)
    if skeleton is not None:
        yield from _breaks(work, group, skeleton, classify)
    games = surveyed and surveyed.types.get((group.structure, group.holder))
    if surveyed and games:
        side, followed = work.side.side, surveyed.followed
        yield from games_html(group, games, side, followed=followed, name_of=work.name_of)
    yield '<h3>Lines</h3>\n<div class="lines">\n'
    yield from lines_html(work, group, labels, onward)
    yield "</div>\n"
    yield from _transpositions(work, remarks.joins, labels)
    yield from _warnings(work, remarks)
    if remarks.owed:
        yield "<h3>Still owed</h3>\n"
        yield from owed_html(remarks.owed)
    yield "</section>\n"


def owed_html(debts: Sequence[Debt]) -> Iterator[str]:
    """What is owed, the heaviest first: what is wrong, where, and what closes it."""
    yield '<ul class="owed">\n'
    for debt in debts:
        place = ""
        if debt.node >= 0:
            chapter = f"<bdi>{html_text(debt.chapter)}</bdi>"
            place = f' <span class="place">{chapter}: {html_text(debt.moves or "the start")}</span>'
        yield f"<li>{html_text(debt.what)} {html_text(debt.closes)}{place}</li>\n"
    yield "</ul>\n"


def _family(structure: str) -> Family | None:
    try:
        return shipped_catalogue()[structure]
    except KeyError:
        return None


def _count(number: int, what: str) -> str:
    return f"{number:,} {what}{'' if number == 1 else 's'}"


def _facts(work: Workbook, group: Group) -> str:
    told = (
        f"{_count(len(group.lines), 'line')} in {_count(len(group.chapters), 'chapter')}, "
        f"{group.share:.0%} of all lines."
    )
    if group.settled:
        told += f" First stands after {numbered(work.book, group.earliest_node)}."
    return told


def _skeleton(work: Workbook, group: Group) -> Skeleton | None:
    """The pawns with which most of the group's lines settle; the first at a tie."""
    if not group.settled:
        return None
    code = work.paths.code(group.structure, group.holder)
    found: Counter[Skeleton] = Counter()
    masks = work.book.masks
    for leaf in group.lines:
        index = work.paths.index(leaf)
        if work.paths.middlegame[index] == code:
            white, black = masks[int(work.paths.settles_at[index])].tolist()
            found[Skeleton(white, black)] += 1
    return found.most_common(1)[0][0] if found else None


def _diagrams(
    work: Workbook, group: Group, skeleton: Skeleton, notes: Sequence[PlanNote]
) -> Iterator[str]:
    book, author = work.book, author_of(group, work.side.side)
    orientation = author or "white"
    shapes = {"our plan": "ring", "their plan": "frame"}
    marks: dict[int, Mark] = {}
    for note in notes:
        shape = shapes.get(whose_plan(note, group, work.side.side), "ring")
        for name in note.squares:
            square = chess.parse_square(name)
            if len(marks) < _MOST_MARKS:
                marks.setdefault(square, Mark(square, shape))
    used = {mark.shape for mark in marks.values()}
    told = []
    if "ring" in used:
        told.append("rings: squares of our plan" if author else "rings: squares of the plans")
    if "frame" in used:
        told.append("frames: squares of theirs")
    yield '<div class="diagrams">\n'
    picture = skeleton_svg(
        skeleton, orientation=orientation, marks=marks.values(), standalone=False
    )
    caption = "The pawns" + (f" ({'; '.join(told)})" if told else "")
    yield f"<figure>{picture}<figcaption>{html_text(caption)}</figcaption></figure>\n"
    node = int(work.paths.settles_at[work.paths.index(group.model_line)])
    if book.fens is not None and node >= 0:
        fen = book.fens[node]
        picture = board_svg(fen, orientation=orientation, view="skeleton", standalone=False)
        turn = "White" if fen.split()[1] == "w" else "Black"
        chapter = book.game_of(node).chapter
        caption = f"After {numbered(book, node)}, {turn} to move: "
        yield (
            f"<figure>{picture}<figcaption>{html_text(caption)}<bdi>{html_text(chapter)}</bdi>"
            "</figcaption></figure>\n"
        )
    yield "</div>\n"


def _what_it_is(family: Family, group: Group) -> Iterator[str]:
    yield "<h3>What it is</h3>\n"
    if family.definition:
        yield f"<p>{html_text(_plain(told_for(family.definition, group.holder)))}</p>\n"
    if family.openings:
        yield f'<p class="openings">Comes from: {html_text("; ".join(family.openings))}.</p>\n'


def _plans(
    work: Workbook, group: Group, family: Family | None, notes: Sequence[PlanNote]
) -> Iterator[str]:
    """Both sides' plans: the author's notes, else the catalogue's texts."""
    side = work.side.side
    author = author_of(group, side)
    first = author or "white"
    for color in (first, "black" if first == "white" else "white"):
        if author is None:
            title = f"{color.capitalize()}’s plan"
        else:
            title = "Our plan" if color == author else "Their plan"
        own = [note for note in notes if plan_in_group(note, group) in (color, "both")]
        yield f"<h3>{title}</h3>\n"
        for note in own:
            yield from _note(work, note, finer=note.structure != group.structure)
        # A plan for a finer form leaves the type's other lines without one.
        if not any(note.structure == group.structure for note in own):
            holder = group.holder == color or (group.holder == "both" and color == "white")
            yield from _catalogue_plan(group, family, holder=holder)


def _note(work: Workbook, note: PlanNote, *, finer: bool) -> Iterator[str]:
    yield f'<div class="note"><h4><bdi>{html_text(note.title)}</bdi></h4>\n'
    told = [f"Only where {work.name_of(note.structure)} stands."] if finer else []
    if note.when:
        told.append(f"When {' and '.join(note.when.words())}.")
    if note.moves:
        told.append(f"Moves: {', '.join(note.moves)}.")
    if told:
        yield f'<p class="when">{html_text(" ".join(told))}</p>\n'
    yield note_html(note.body, heading=5)
    yield "</div>\n"


def _catalogue_plan(group: Group, family: Family | None, *, holder: bool) -> Iterator[str]:
    texts = plan_texts(group.structure)
    summary = ("" if family is None else family.plan_holder if holder else family.plan_foe).strip()
    if texts is None and not summary:
        yield '<p class="missing">There is no note and no text of the catalogue.</p>\n'
        return
    yield '<div class="catalogue"><p class="source">From the catalogue, not the author’s words.</p>'
    if summary:
        yield f"<p>{html_text(_plain(told_for(summary, group.holder)))}</p>\n"
    if texts is not None:
        yield "<dl>\n"
        for name, text in (texts.holder if holder else texts.foe).items():
            told = html_text(_plain(told_for(text, group.holder)))
            yield f"<dt>{SECTION_NAMES[name]}</dt><dd>{told}</dd>\n"
        yield "</dl>\n"
    yield "</div>\n"


def _breaks(work: Workbook, group: Group, skeleton: Skeleton, classify: Classify) -> Iterator[str]:
    tree = break_tree(query_position(placement(skeleton)), classify, work.book, work.distinct)
    author = author_of(group, work.side.side)
    rows = []
    for color in ("white", "black") if author != "black" else ("black", "white"):
        whose = color.capitalize() if author is None else "we" if color == author else "they"
        some = [one for one in tree.prospects if one.pawn_break.side == color]
        rows += [_break_row(work, tree, one, whose) for one in some[:_MOST_BREAKS]]
    if not rows:
        return
    yield '<h3>Breaks</h3>\n<table class="breaks"><thead><tr><th scope="col">Who</th>'
    yield '<th scope="col">Break</th><th scope="col">What it can lead to</th>'
    yield '<th scope="col">Played in</th></tr></thead>\n<tbody>\n'
    yield from rows
    yield "</tbody></table>\n"


def _break_row(work: Workbook, tree: BreakTree, prospect: Prospect, whose: str) -> str:
    here = (tree.verdict.structure, tree.verdict.holder)
    ends = []
    seen = {here}
    for branch in sorted(prospect.branches, key=lambda one: -one.verdict.probability):
        verdict = branch.verdict
        if not verdict.settled or (verdict.structure, verdict.holder) in seen:
            continue
        seen.add((verdict.structure, verdict.holder))
        holder = _HOLDERS.get(verdict.holder, "both sides’")
        ends.append(
            f"{work.name_of(verdict.structure)}, {holder} ({verdict.probability:.0%}) "
            f"after {branch.outcome.text}"
        )
    told = "; ".join(ends[:_MOST_BRANCHES]) or "no other type that is known"
    played = prospect.structure_played if prospect.structure_played is not None else prospect.played
    lines = _count(played, "line") if played else "none"
    return (
        f'<tr><td>{whose}</td><td class="move">{html_text(prospect.pawn_break.text)}</td>'
        f'<td>{html_text(told)}</td><td class="played">{lines}</td></tr>\n'
    )


def _transpositions(work: Workbook, joins: Sequence[Join], labels: LineLabels) -> Iterator[str]:
    if not joins:
        return
    book = work.book
    yield "<h3>Transpositions</h3>\n<ul>\n"
    for join in joins:
        stops = ", and stops there" if join.stops else ""
        yield (
            f"<li>{labels.link(join.node)} with {html_text(numbered(book, join.node))} comes to "
            f"the position of {labels.link(join.earlier)} after "
            f"{html_text(numbered(book, join.earlier))}{stops}.</li>\n"
        )
    yield "</ul>\n"


def _warnings(work: Workbook, remarks: Remarks) -> Iterator[str]:
    if not (remarks.warnings or remarks.reminders or remarks.only_moves):
        return
    from pawnlore.structures.reminders import FIRST

    book = work.book
    yield "<h3>Warnings and reminders</h3>\n<ul>\n"
    for warned in remarks.warnings:
        whose = {True: "our", False: "their", None: "a"}[warned.author]
        answer = moves_text(book, warned.refutation)
        told = f"is answered by {answer}" if answer else "has no answer in the repertoire yet"
        more = "" if warned.whole else " …"
        before = line_text(book, book.parent[warned.node])
        yield (
            f"<li><b>{html_text(numbered(book, warned.node) + warned.mark)}</b>, {whose} "
            f"mistake after {html_text(before)}, {html_text(told + more)}.</li>\n"
        )
    for only in remarks.only_moves:
        yield (
            f"<li><b>{html_text(numbered(book, only.node))}</b> is marked as the only move: "
            f"{html_text(only.reason)}.</li>\n"
        )
    for reminder in remarks.reminders:
        kind = "Move order" if reminder.kind == FIRST else "Remember"
        yield (
            f"<li>{kind}, at <b>{html_text(numbered(book, reminder.node))}</b>: "
            f"<bdi>{html_text(reminder.text)}</bdi></li>\n"
        )
    yield "</ul>\n"


def _plain(text: str) -> str:
    return " ".join(text.split())
