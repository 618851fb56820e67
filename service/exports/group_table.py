"""The groups as tables: a digest for an author, CSV and JSON Lines.

``game`` counts from 1 in its file, ``node`` from 0 in its game, as in the
table of nodes. A line is named by its last node.
"""

from __future__ import annotations

import csv
import io
import json
import textwrap
from collections.abc import Iterator, Sequence
from typing import Any

from pawnlore.service.exports.line_text import line_text, numbered
from pawnlore.service.workbook import Workbook
from pawnlore.structures.groups import Group, same_plan_chapters
from pawnlore.structures.repertoire import Repertoire
from pawnlore.structures.structure_paths import Structure
from pawnlore.structures.teaching_order import (
    ALONE,
    CHAPTER,
    GROWS,
    REVERSED,
    TURNS,
    Step,
    teaching_order,
)

COLUMNS = (
    "structure",
    "name",
    "holder",
    "stance",
    "lines",
    "move_orders",
    "share",
    "earliest_ply",
    "earliest_move",
    "probability",
    "chapters",
    "endings",
    "finer",
    "teach",
    "model_file",
    "model_game",
    "model_node",
    "model_line",
)
"""A row for every group. Several chapters, endings or finer forms are separated by ``; ``.

``finer`` are the author's own families that stand beside the structure, each
with its holder and the number of lines that come to it."""

_TO_AUTHORS = ("probability", "finer")

LINE_COLUMNS = (
    "file",
    "game",
    "node",
    "chapter",
    "structure",
    "holder",
    "stance",
    "move_order_of",
    "settles_ply",
    "settles_move",
    "dwell",
    "ending",
    "ending_holder",
    "passed",
    "moves",
)
"""A row for every line, in reading order.

``structure``, ``holder`` and ``stance`` are those of the line's group. For a
line that only leads into another one, ``move_order_of`` tells where that line
stands, as ``file#game#node``.
"""

_WIDTH = 96


def csv_rows(work: Workbook, *, sure: bool = True) -> Iterator[str]:
    """The groups as CSV; without ``sure`` it is not told how sure the verdicts are."""
    columns = [name for name in COLUMNS if sure or name not in _TO_AUTHORS]
    yield _csv(columns)
    for row in _rows(work):
        joined = {
            "chapters": "; ".join(route["chapter"] for route in row["chapters"]),
            **{
                name: "; ".join(
                    f"{one['structure']} {one['holder']} {one['lines']}" for one in row[name]
                )
                for name in ("endings", "finer")
            },
            "teach": "" if row["teach"] is None else row["teach"]["place"],
            "model_file": row["model"]["file"],
            "model_game": row["model"]["game"],
            "model_node": row["model"]["node"],
            "model_line": row["model"]["moves"],
        }
        yield _csv([{**row, **joined}[name] for name in columns])


def json_lines(work: Workbook, *, sure: bool = True) -> Iterator[str]:
    """The groups as JSON Lines: an object a group, with all of its chapters and lines."""
    for row in _rows(work):
        if not sure:
            row = {name: told for name, told in row.items() if name not in _TO_AUTHORS}
        yield json.dumps(row, ensure_ascii=False) + "\n"


def line_csv_rows(work: Workbook) -> Iterator[str]:
    """The lines as CSV."""
    yield _csv(LINE_COLUMNS)
    for row in _line_rows(work):
        row["passed"] = " ".join(row["passed"])
        yield _csv([row[name] if row[name] is not None else "" for name in LINE_COLUMNS])


def line_json_lines(work: Workbook) -> Iterator[str]:
    """The lines as JSON Lines: an object a line, keys as the CSV's columns."""
    for row in _line_rows(work):
        yield json.dumps(row, ensure_ascii=False) + "\n"


def digest(work: Workbook) -> Iterator[str]:
    """What an author wants to see first: the types, then what to do about them."""
    found = work.groups
    yield from _summary(work)
    if not found.groups:
        return
    yield "\n"
    yield from _table(work)
    yield from _from_both_sides(work)
    yield from _taught_twice(work)
    steps = teaching_order(work.paths, found)
    if len(steps) > 1:
        yield "\nAn order to teach them, so that each builds on an earlier one\n"
        for number, step in enumerate(steps, 1):
            group = found.groups[step.group]
            yield f"  {number:>2}. {_title(work, group)}{_because(work, step)}\n"
    yield "\nHow the lines get there\n"
    for group in found.groups:
        yield from _details(work, group)


def whose(group: Group) -> str:
    """Whose a group's structure is, in words for a table."""
    sides = {"white": "White's", "black": "Black's"}
    words = {"ours": "ours", "theirs": "theirs", "shared": "both sides'", "none": "-"}
    return words.get(group.stance) or sides[group.holder]


def _summary(work: Workbook) -> Iterator[str]:
    found, book = work.groups, work.book
    lines = len(work.paths)
    settled = [group for group in found.groups if group.settled]
    orders = sum(len(group.move_orders) for group in found.groups)
    yield (
        f"{_count(lines, 'line')} in {_count(len(book.games), 'chapter')} lead to "
        f"{_count(len(settled), 'middlegame type')}.\n"
    )
    if orders:
        yield (
            f"{orders:,} of them only {_verb(orders, 'lead')} into another line (move orders); "
            f"{'it counts' if orders == 1 else 'they count'} where that line goes.\n"
        )
    covered, few = 0, 0
    for group in settled:
        if 2 * covered >= lines:
            break
        covered += len(group.lines)
        few += 1
    if 2 * covered >= lines and few < len(settled):
        first = "first type holds" if few == 1 else f"first {few} types hold"
        yield f"The {first} half of all lines.\n"
    single = sum(len(group.lines) == 1 for group in settled)
    if single and single < len(settled):
        yield (
            f"{_count(single, 'type')} {_verb(single, 'have')} one line only: "
            f"{'a plan' if single == 1 else 'each a plan'} to learn for a single line.\n"
        )


def _table(work: Workbook) -> Iterator[str]:
    rows = [("middlegame type", "whose", "lines (+move orders)", "share", "settles", "chapters")]
    for group in work.groups.groups:
        extra = f" (+{len(group.move_orders)})" if group.move_orders else ""
        rows.append(
            (
                work.name_of(group.structure),
                whose(group),
                f"{len(group.lines) - len(group.move_orders)}{extra}",
                f"{group.share:.0%}",
                numbered(work.book, group.earliest_node) if group.settled else "-",
                str(len(group.chapters)),
            )
        )
    yield from _aligned(rows, right=(3, 5))


def _from_both_sides(work: Workbook) -> Iterator[str]:
    found = work.groups.groups
    seen: set[int] = set()
    rows = []
    for place, group in enumerate(found):
        if place in seen or not group.reversed:
            continue
        seen.update((place, *group.reversed))
        parts = [
            f"{whose(one)} in {_count(len(one.lines), 'line')}"
            for one in (group, *(found[other] for other in group.reversed))
        ]
        rows.append(f"  {work.name_of(group.structure)}: {', '.join(parts)}\n")
    if rows:
        yield "\nThe same structure from both sides: teach them side by side\n"
        yield from rows


def _taught_twice(work: Workbook) -> Iterator[str]:
    plans = same_plan_chapters(work.groups)
    if plans:
        yield "\nOne plan in several chapters: their main lines lead to the same type\n"
    for plan in plans:
        yield f"  {_title(work, work.groups.groups[plan.group])}\n"
        for route in plan.chapters:
            yield f"    {route.chapter} ({_count(route.lines, 'line')})\n"


def _because(work: Workbook, step: Step) -> str:
    if step.because == ALONE or step.of is None:
        return ""
    other = _title(work, work.groups.groups[step.of])
    lines = _count(step.lines, "line")
    return (
        ": "
        + {
            GROWS: f"grows out of {other} in {lines}",
            TURNS: f"turns into {other} in {lines}",
            REVERSED: f"{other}, with colours reversed",
            CHAPTER: f"in the same chapter as {other}",
        }[step.because]
    )


def _details(work: Workbook, group: Group) -> Iterator[str]:
    book = work.book
    yield f"\n  {_title(work, group)}\n"
    for route in group.chapters:
        nodes = book.games[route.game].nodes
        orders = sum(leaf in nodes for leaf in group.move_orders)
        lines = _count(route.lines, "line")
        if orders == route.lines:
            lines = f"{_count(orders, 'move order')} only"
        elif orders:
            lines += f", {_count(orders, 'move order')} among them"
        yield from _wrapped(f"{route.chapter}: {lines}", 4)
        yield from _wrapped(line_text(book, route.node), 6)
    if group.finer:
        forms = [f"{_beside(work, one, group)} ({_count(n, 'line')})" for one, n in group.finer]
        yield from _wrapped(f"finer form: {', '.join(forms)}", 4)
    if group.endings:
        ends = [f"{work.name_of(end.structure)} ({_count(n, 'line')})" for end, n in group.endings]
        yield from _wrapped(f"turns into: {', '.join(ends)}", 4)
    if group.settled:
        yield from _wrapped(f"model line: {line_text(book, group.model_line)}", 4)
    else:
        for leaf in group.lines:
            path = work.paths.path(work.paths.index(leaf))
            passed = ", ".join(work.name_of(one) for one in path.passed) or "no family"
            yield from _wrapped(f"ends {numbered(book, leaf)}; it passes {passed}", 4)


def _title(work: Workbook, group: Group) -> str:
    return work.name_of(group.structure) + (f", {whose(group)}" if group.settled else "")


def _rows(work: Workbook) -> Iterator[dict[str, Any]]:
    book, found = work.book, work.groups
    steps = teaching_order(work.paths, found)
    teach = {step.group: (number, step) for number, step in enumerate(steps, 1)}
    for place, group in enumerate(found.groups):
        number_step = teach.get(place)
        lesson = None
        if number_step is not None:
            number, step = number_step
            before = None if step.of is None else _key(found.groups[step.of])
            lesson = {"place": number, "because": step.because, "of": before, "lines": step.lines}
        yield {
            "structure": group.structure,
            "name": work.name_of(group.structure),
            "holder": group.holder,
            "stance": group.stance,
            "lines": len(group.lines),
            "move_orders": len(group.move_orders),
            "share": round(group.share, 4),
            "earliest_ply": group.earliest_ply,
            "earliest_move": numbered(book, group.earliest_node),
            "probability": round(group.probability, 4),
            "chapters": [
                {
                    "chapter": route.chapter,
                    **_place(book, route.node),
                    "lines": route.lines,
                    "ply": route.ply,
                    "settles": route.settles,
                    "main": route.main,
                    "moves": line_text(book, route.node),
                }
                for route in group.chapters
            ],
            "endings": _counted(group.endings),
            "finer": _counted(group.finer),
            "reversed": [_key(found.groups[other]) for other in group.reversed],
            "teach": lesson,
            "model": {
                **_place(book, group.model_line),
                "moves": line_text(book, group.model_line),
            },
            "line_ends": [_place(book, leaf) for leaf in group.lines],
        }


def _line_rows(work: Workbook) -> Iterator[dict[str, Any]]:
    from pawnlore.structures.transpositions import pointers

    book, paths, found = work.book, work.paths, work.groups
    onward = pointers(book)
    for index, path in enumerate(paths):
        group = found.groups[found.of_line[index]]
        settles, into = path.settles_at, onward.get(path.leaf)
        target = (
            None if into is None else "#".join(str(part) for part in _place(book, into).values())
        )
        yield {
            **_place(book, path.leaf),
            "chapter": book.game_of(path.leaf).chapter,
            "structure": group.structure,
            "holder": group.holder,
            "stance": group.stance,
            "move_order_of": target,
            "settles_ply": None if settles is None else book.ply[settles],
            "settles_move": None if settles is None else numbered(book, settles),
            "dwell": int(paths.dwell[index]),
            "ending": None if path.ending is None else path.ending.structure,
            "ending_holder": None if path.ending is None else path.ending.holder,
            "passed": list(path.passed),
            "moves": line_text(book, path.leaf),
        }


def _beside(work: Workbook, one: Structure, group: Group) -> str:
    """A finer form by name, with its holder where that is not the group's."""
    name = work.name_of(one.structure)
    held = {"white": "White's", "black": "Black's", "both": "both sides'"}[one.holder]
    return name if one.holder == group.holder else f"{name}, {held}"


def _counted(structures: Sequence[tuple[Structure, int]]) -> list[dict[str, Any]]:
    return [
        {"structure": known.structure, "holder": known.holder, "lines": count}
        for known, count in structures
    ]


def _key(group: Group) -> dict[str, str]:
    return {"structure": group.structure, "holder": group.holder, "stance": group.stance}


def _place(book: Repertoire, node: int) -> dict[str, Any]:
    game = book.game_of(node)
    return {"file": game.file, "game": game.number, "node": node - game.first}


def _csv(values: Sequence[Any]) -> str:
    line = io.StringIO()
    csv.writer(line, lineterminator="\n").writerow(values)
    return line.getvalue()


def _count(number: int, what: str) -> str:
    return f"{number:,} {what}{'' if number == 1 else 's'}"


def _verb(number: int, verb: str) -> str:
    return ("has" if verb == "have" else f"{verb}s") if number == 1 else verb


def _wrapped(text: str, indent: int) -> Iterator[str]:
    head = " " * indent
    for line in textwrap.wrap(
        text, _WIDTH, initial_indent=head, subsequent_indent=head + "  ", break_on_hyphens=False
    ):
        yield line + "\n"


def _aligned(rows: Sequence[tuple[str, ...]], *, right: tuple[int, ...]) -> Iterator[str]:
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    for row in rows:
        cells = [
            cell.rjust(width) if column in right else cell.ljust(width)
            for column, (cell, width) in enumerate(zip(row, widths, strict=True))
        ]
        yield "  ".join(cells).rstrip() + "\n"
