"""The study booklet: one HTML file that holds all it needs and prints well on A4.

A list of contents in an order to teach, then a section for each middlegame
type. Everything is told in words and shapes, so that it can be read in black
and white; on a screen it follows the reader's choice of light or dark.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from importlib.resources import files

from pawnlore.service.diagram import diagram_parts
from pawnlore.service.exports.booklet_games import games_in_contents, games_key
from pawnlore.service.exports.booklet_lines import SETTLES, LineLabels, main_end
from pawnlore.service.exports.booklet_type import (
    Remarks,
    as_heading,
    owed_html,
    stance_in_words,
    type_html,
)
from pawnlore.service.html_text import html_text
from pawnlore.service.survey.type_games import SurveyedTypes
from pawnlore.service.workbook import Workbook
from pawnlore.structures.debt import Debt
from pawnlore.structures.groups import Group
from pawnlore.structures.owed import owed
from pawnlore.structures.plan_note import PlanNote
from pawnlore.structures.reminders import only_moves, reminders, warnings
from pawnlore.structures.teaching_order import CHAPTER, GROWS, REVERSED, TURNS, Step, teaching_order
from pawnlore.structures.transpositions import joins, pointers
from pawnlore.structures.verdict import Classify

_POLICY = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'"
_SIDES = {
    "white": "A repertoire for White",
    "black": "A repertoire for Black",
    "mixed": "A repertoire for both sides",
}


def booklet(
    work: Workbook,
    classify: Classify,
    notes: Sequence[PlanNote] | None = None,
    *,
    title: str = "Study booklet",
    with_owed: bool = True,
    surveyed: SurveyedTypes | None = None,
) -> Iterator[str]:
    """The booklet, piece by piece.

    The repertoire must have been read with FENs. ``notes`` are the author's
    plan notes; where there is none on a plan, the catalogue's text stands, marked
    as not the author's. Without ``notes`` (none, not an empty list) no note is
    said to be owed. What is owed can be left out, for a booklet that students get.
    ``surveyed`` adds what a survey of games says of each type.
    """
    found = work.groups.groups
    steps = {step.group: step for step in teaching_order(work.paths, work.groups)}
    places = [*steps, *(place for place in range(len(found)) if place not in steps)]
    order = [found[place] for place in places]
    number = {place: count for count, place in enumerate(places, 1)}
    labels = LineLabels(work, order)
    onward = pointers(work.book)
    remarks, rest = _remarks(work, notes, with_owed=with_owed)
    because = {
        place: _because(work, steps.get(place), number) if place in steps else ""
        for place in places
    }

    yield from _head(title)
    yield from _title_page(work, title, order, surveyed)
    yield from _contents(work, order, [because[place] for place in places], surveyed)
    for place in places:
        yield from type_html(
            work,
            found[place],
            number[place],
            because[place],
            notes or (),
            classify,
            labels,
            onward,
            remarks[place],
            surveyed,
        )
    if rest:
        yield '<section aria-labelledby="rest"><h2 id="rest">Still owed, of no one type</h2>\n'
        yield from owed_html(rest)
        yield "</section>\n"
    yield "</main>\n</body>\n</html>\n"


def _head(title: str) -> Iterator[str]:
    style = files("pawnlore.service.exports").joinpath("booklet_style.css")
    yield (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="color-scheme" content="light dark">\n'
        f"<title>{html_text(title)}</title>\n<style>\n"
    )
    yield style.read_text(encoding="utf-8")
    yield f"</style>\n</head>\n<body>\n{diagram_parts()}\n<main>\n"


def _title_page(
    work: Workbook, title: str, order: Sequence[Group], surveyed: SurveyedTypes | None
) -> Iterator[str]:
    book = work.book
    settled = sum(group.settled for group in order)
    authors = dict.fromkeys(
        name for game in book.games if (name := game.header("Annotator")) is not None
    )
    yield f"<header><h1><bdi>{html_text(title)}</bdi></h1>\n"
    if authors:
        yield f'<p class="author"><bdi>{html_text(", ".join(list(authors)[:5]))}</bdi></p>\n'
    yield (
        f'<p class="facts">{_SIDES[work.side.side]}: {_count(len(work.paths), "line")} in '
        f"{_count(len(book.games), 'chapter')}, {_count(settled, 'middlegame type')}.</p>"
        "</header>\n"
        '<section class="key" aria-labelledby="key"><h2 id="key">How to read it</h2>\n'
        "<p>Each section holds one middlegame type and all lines that lead to it. In the diagrams "
        "the dark squares are hatched; White’s men are light and Black’s are dark, and where "
        "pieces are drawn pale, only the pawns are meant. "
        f"<b>{SETTLES}</b> stands before the move after which the structure is there. A line that "
        "begins with … leaves the line above it at its first move; → leads to a line that goes "
        "on from the same position. Text in a box with a dotted edge is from the catalogue, not "
        "the author’s.</p>\n"
    )
    if surveyed is not None:
        yield games_key(surveyed)
    yield "</section>\n"


def _contents(
    work: Workbook,
    order: Sequence[Group],
    because: Sequence[str],
    surveyed: SurveyedTypes | None,
) -> Iterator[str]:
    yield '<nav aria-labelledby="contents"><h2 id="contents">Contents</h2>\n<ol class="contents">\n'
    for number, (group, why) in enumerate(zip(order, because, strict=True), 1):
        name = work.name_of(group.structure)
        stance = stance_in_words(group)
        told = f' <span class="stance {group.stance}">{html_text(stance)}</span>' if stance else ""
        games = ""
        if surveyed is not None:
            games = games_in_contents(surveyed.types.get((group.structure, group.holder)))
        yield (
            f'<li><a href="#type-{number}">{html_text(as_heading(name))}</a>{told} '
            f'<span class="count">{_count(len(group.lines), "line")}{games}</span>'
            f'<span class="why">{why}</span></li>\n'
        )
    yield "</ol></nav>\n"


def _because(work: Workbook, step: Step | None, number: dict[int, int]) -> str:
    """Why a type comes at its place, as HTML that goes on from a sentence."""
    if step is None or step.of is None:
        return ""
    name = html_text(work.name_of(work.groups.groups[step.of].structure))
    other = f'<a href="#type-{number[step.of]}">{number[step.of]}, {name}</a>'
    lines = _count(step.lines, "line")
    return {
        GROWS: f" Grows out of {other} in {lines}.",
        TURNS: f" Turns into {other} in {lines}.",
        REVERSED: f" Is {other}, with colours reversed.",
        CHAPTER: f" Shares a chapter with {other}.",
    }.get(step.because, "")


def _remarks(
    work: Workbook, notes: Sequence[PlanNote] | None, *, with_owed: bool
) -> tuple[list[Remarks], list[Debt]]:
    """What was marked, where lines meet and what is owed, for each group; and what is left."""
    book = work.book
    out = [Remarks() for _ in work.groups.groups]

    def of(node: int) -> Remarks:
        """What is on several lines goes with the one that is the main line there."""
        return out[work.groups.of_line[work.paths.index(main_end(book, node))]]

    for join in joins(book):
        of(join.node).joins.append(join)
    for reminder in reminders(book):
        of(reminder.node).reminders.append(reminder)
    for warned in warnings(book, work.side):
        of(warned.node).warnings.append(warned)
    for only in only_moves(book, work.side):
        of(only.node).only_moves.append(only)
    rest: list[Debt] = []
    if not with_owed:
        return out, rest
    verdicts, name_of = work.verdicts, work.name_of
    for debt in owed(book, verdicts, work.paths, work.groups, work.side, notes, name_of=name_of):
        if debt.group >= 0:
            out[debt.group].owed.append(debt)
        elif debt.node >= 0:
            of(debt.node).owed.append(debt)
        else:
            rest.append(debt)
    return out, rest


def _count(number: int, what: str) -> str:
    return f"{number:,} {what}{'' if number == 1 else 's'}"
