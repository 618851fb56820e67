"""What is computed on a repertoire, as tables: nodes, groups, lines, owed, breaks and more."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import asdict
from functools import partial

from flask import Blueprint, Response

from pawnlore.service.access.needs import READ, needs, students_may
from pawnlore.service.api.answers import as_json, csv_text
from pawnlore.service.api.classify import FEN, position_of
from pawnlore.service.api.describe import (
    Answer,
    Operation,
    Parameter,
    Schema,
    described,
    query,
)
from pawnlore.service.api.formats import formatted
from pawnlore.service.api.lookups import lookups
from pawnlore.service.api.readers import tells_how_sure
from pawnlore.service.api.repertoires import ID
from pawnlore.service.api.repertoires_at_hand import provide_repertoires, repertoires
from pawnlore.service.api.request_values import flag, invalid, query_values
from pawnlore.service.api.tables import (
    LONG_PAGING,
    LongTable,
    long_schema,
    long_table_answer,
    whole_number,
)
from pawnlore.service.deadline import Deadline
from pawnlore.service.exports import (
    break_table,
    chosen_nodes,
    group_table,
    load_table,
    move_order_table,
    owed_table,
    reminder_table,
    similar_table,
)
from pawnlore.service.repertoire_desk import OpenRepertoire
from pawnlore.service.running import running
from pawnlore.service.store.note_shelf import NoteShelf
from pawnlore.service.workbook import Workbook
from pawnlore.structures.breaks import break_tree
from pawnlore.structures.load import Comparison
from pawnlore.structures.move_path import PathProblem, nodes_after
from pawnlore.structures.owed import owed
from pawnlore.structures.skeleton import pack
from pawnlore.structures.verdict import HOLDERS

resources = Blueprint("api-repertoire-tables", __name__)
resources.record(provide_repertoires)

_MOST_SIMILAR = 100
_LONGEST_PATH = 10_000

_STRUCTURE = query(
    "structure",
    {"type": "string", "maxLength": 200},
    "Only nodes with this structure, or with this finer form of yours: a family's id, or "
    "'unsettled'.",
)
_HOLDER = query("holder", {"enum": list(HOLDERS)}, "Only nodes with this holder of it.")
_COMPARE = query(
    "compare",
    formatted("moves", most=_LONGEST_PATH),
    "Only the moves after these ones, side by side, for example '1. d4 d5 2. c4'.",
)
_COUNT = query(
    "count",
    {"type": "integer", "minimum": 1, "maximum": _MOST_SIMILAR, "default": 5},
    "How many pawn positions at most.",
)
_MIRRORED = query(
    "mirrored",
    {"type": "boolean", "default": False},
    "Whether the same pawns with colours reversed count as the same.",
)

_TEXT: Schema = {"type": ["string", "null"]}
_NUMBER: Schema = {"type": ["number", "null"]}
_TRUTH: Schema = {"type": ["boolean", "null"]}
_LIST: Schema = {"type": "array"}
_TYPES: dict[str, Schema] = {
    **dict.fromkeys(("game", "node", "parent", "ply", "lines", "probability"), _NUMBER),
    **dict.fromkeys(("move_orders", "share", "earliest_ply", "weight", "rank"), _NUMBER),
    **dict.fromkeys(("settles_ply", "dwell", "distance", "lines_here", "played"), _NUMBER),
    **dict.fromkeys(("to_remember", "new_to_remember", "transposed", "deepest"), _NUMBER),
    **dict.fromkeys(("mean_depth", "structure_count", "new_structure_count"), _NUMBER),
    **dict.fromkeys(("structure_lines", "structure_played", "reached"), _NUMBER),
    **dict.fromkeys(("second_probability",), _NUMBER),
    **dict.fromkeys(("core", "mirrored", "legal", "cheapest"), _TRUTH),
    **dict.fromkeys(("chapters", "endings", "finer", "passed", "differences"), _LIST),
    **dict.fromkeys(("structures", "new_structures", "reversed", "line_ends"), _LIST),
    "model": {"type": "object"},
    "teach": {"type": ["object", "null"]},
}


def _described(
    name: str,
    summary: str,
    columns: Iterable[str],
    *parameters: Parameter,
    problems: int = 404,
    types: Mapping[str, Schema] | None = None,
) -> Operation:
    known = {**_TYPES, **(types or {})}
    schema = long_schema({column: known.get(column, _TEXT) for column in columns})
    return Operation(
        name,
        "repertoires",
        summary,
        {200: Answer("A page of rows in JSON, or all rows.", schema)},
        parameters=(ID, *parameters, *LONG_PAGING),
        # Long work may pass the time that a request has.
        problems=(*{404, problems}, 406, 413),
    )


@resources.get("/api/repertoires/<id>/nodes")
@needs(READ)
@described(
    _described(
        "listNodes",
        "The nodes of a repertoire, or those with one structure",
        chosen_nodes.COLUMNS,
        _STRUCTURE,
        _HOLDER,
    )
)
def nodes(id: str) -> Response:
    """The nodes with a structure."""
    values = query_values(_STRUCTURE, _HOLDER, *LONG_PAGING)
    holder = values.get("holder", "")
    if holder and holder not in HOLDERS:
        invalid([f"holder must be one of {', '.join(HOLDERS)}"])
    opened = repertoires().desk.open(id)
    work = opened.work
    chosen = chosen_nodes.chosen_nodes(work, values.get("structure", ""), holder)

    def lines(first: int) -> Iterator[str]:
        for row in chosen_nodes.node_rows(work, chosen[first:]):
            yield json.dumps(row, ensure_ascii=False) + "\n"

    def rows() -> Iterator[str]:
        return csv_text(chosen_nodes.COLUMNS, chosen_nodes.node_rows(work, chosen))

    return long_table_answer(LongTable(opened.tag, lines, rows, len(chosen)), values)


_GROUP_COLUMNS = (
    *(column for column in group_table.COLUMNS if not column.startswith("model_")),
    *("reversed", "model", "line_ends"),
)
"""What an object in JSON has; CSV has the model line in columns of its own."""


@resources.get("/api/repertoires/<id>/groups")
@students_may("id")
@needs(READ)
@described(
    _described("listGroups", "The lines by middlegame type, the largest first", _GROUP_COLUMNS)
)
def groups(id: str) -> Response:
    """The lines by middlegame type."""
    values = query_values(*LONG_PAGING)
    opened = repertoires().desk.open(id)
    if tells_how_sure():
        return _answer(opened, "groups", group_table.json_lines, group_table.csv_rows, values)
    as_lines = partial(group_table.json_lines, sure=False)
    as_csv = partial(group_table.csv_rows, sure=False)
    return _answer(opened, "groups for students", as_lines, as_csv, values)


@resources.get("/api/repertoires/<id>/lines")
@students_may("id")
@needs(READ)
@described(_described("listLines", "Every line with its middlegame type", group_table.LINE_COLUMNS))
def lines(id: str) -> Response:
    """Every line with its middlegame type."""
    values = query_values(*LONG_PAGING)
    opened = repertoires().desk.open(id)
    return _answer(opened, "lines", group_table.line_json_lines, group_table.line_csv_rows, values)


_PROBLEM_COLUMNS = ("file", "game", "line", "move", "message", "warning")


@resources.get("/api/repertoires/<id>/problems")
@needs(READ)
@described(
    _described(
        "listProblems",
        "What could not be read of a repertoire's files, and where it stands",
        _PROBLEM_COLUMNS,
        types={"line": _NUMBER, "warning": _TRUTH},
    )
)
def problems(id: str) -> Response:
    """What could not be read."""
    values = query_values(*LONG_PAGING)
    opened = repertoires().desk.open(id)
    rows = [asdict(problem) for problem in opened.work.book.problems]
    table = LongTable(
        opened.tag,
        lambda first: (as_json(row) + "\n" for row in rows[first:]),
        lambda: csv_text(_PROBLEM_COLUMNS, rows),
        len(rows),
    )
    return long_table_answer(table, values)


@resources.get("/api/repertoires/<id>/owed")
@needs(READ)
@described(
    _described(
        "listOwed", "What the author still owes, the most pressing first", owed_table.COLUMNS
    )
)
def owed_list(id: str) -> Response:
    """What the author still owes."""
    values = query_values(*LONG_PAGING)
    opened = repertoires().desk.open(id)
    # Asked for before the notes: where they change in between, a page too many is
    # refused, and none is mixed up.
    state = NoteShelf(running().store).state()
    work, index = opened.work, lookups().notes()
    notes = [known.note for known in index]
    verdicts, name_of = work.verdicts, work.name_of
    debts = owed(work.book, verdicts, work.paths, work.groups, work.side, notes, name_of=name_of)
    # Notes change more often than repertoires, so the rows are not kept.
    made = list(_checked(owed_table.json_lines(work, debts)))
    table = LongTable(
        f"{opened.tag}n{state}",
        lambda first: iter(made[first:]),
        lambda: owed_table.csv_rows(work, debts),
        len(made),
    )
    return long_table_answer(table, values)


@resources.get("/api/repertoires/<id>/load")
@needs(READ)
@described(
    _described(
        "getLoad",
        "What a repertoire asks of a student, and what each move costs where there is a choice",
        load_table.COLUMNS,
        _COMPARE,
        problems=422,
    )
)
def load(id: str) -> Response:
    """What it asks of a student."""
    values = query_values(_COMPARE, *LONG_PAGING)
    opened = repertoires().desk.open(id)
    if "compare" not in values:
        return _answer(opened, "load", load_table.json_lines, load_table.csv_rows, values)
    only = _compared(opened.work, values["compare"])
    made = list(load_table.json_lines(opened.work, only))
    table = LongTable(
        opened.tag,
        lambda first: iter(made[first:]),
        lambda: load_table.csv_rows(opened.work, only),
        len(made),
    )
    return long_table_answer(table, values)


@resources.get("/api/repertoires/<id>/move-orders")
@needs(READ)
@described(
    _described(
        "listMoveOrders",
        "Pairs of the author's consecutive moves, and what comes of the other order",
        move_order_table.COLUMNS,
        types={"matters": _TRUTH, "gain": _NUMBER, "allows": _LIST},
    )
)
def move_order_list(id: str) -> Response:
    """Which of our moves must come first."""
    values = query_values(*LONG_PAGING)
    opened = repertoires().desk.open(id)
    as_lines, as_csv = move_order_table.json_lines, move_order_table.csv_rows
    return _answer(opened, "move orders", as_lines, as_csv, values)


@resources.get("/api/repertoires/<id>/reminders")
@needs(READ)
@described(
    _described(
        "listReminders",
        "Reminders, warnings and only moves, in order",
        reminder_table.COLUMNS,
        types={"pinned": _TRUTH},
    )
)
def reminder_list(id: str) -> Response:
    """What has to be kept in mind at which move."""
    values = query_values(*LONG_PAGING)
    opened = repertoires().desk.open(id)
    as_lines, as_csv = reminder_table.json_lines, reminder_table.csv_rows
    return _answer(opened, "reminders", as_lines, as_csv, values)


@resources.get("/api/repertoires/<id>/breaks")
@needs(READ)
@described(
    _described(
        "listBreaks",
        "Where a position's pawns can go, and how often the lines go there",
        break_table.COLUMNS,
        FEN,
        problems=422,
        # Here they are counted, and not written out.
        types={"moves": _NUMBER},
    )
)
def breaks(id: str) -> Response:
    """Where a position's pawns can go."""
    values = query_values(FEN, *LONG_PAGING)
    asked = position_of(values)
    opened = repertoires().desk.open(id)
    work = opened.work
    tree = break_tree(asked, work.classify, work.book, work.distinct)
    made = list(break_table.json_lines(tree))
    table = LongTable(
        opened.tag,
        lambda first: iter(made[first:]),
        lambda: break_table.csv_rows(tree),
        len(made),
    )
    return long_table_answer(table, values)


@resources.get("/api/repertoires/<id>/similar")
@needs(READ)
@described(
    _described(
        "listSimilar",
        "The nearest pawn positions of a repertoire, and the lines that lead to them",
        similar_table.COLUMNS,
        FEN,
        _COUNT,
        _MIRRORED,
        problems=422,
    )
)
def similar(id: str) -> Response:
    """The nearest pawn positions."""
    values = query_values(FEN, _COUNT, _MIRRORED, *LONG_PAGING)
    count = whole_number(values, "count", 5, most=_MOST_SIMILAR)
    mirrored = flag(values, "mirrored")
    asked = position_of(values).skeleton
    opened = repertoires().desk.open(id)
    index = opened.similar
    found = index.nearest(asked, count=count, mirrored=mirrored)
    answer = similar_table.Answer(
        asked,
        found,
        opened.work.classify(pack([asked, *(near.skeleton for near in found)])),
        opened.work.book,
        {node: index.lines_below(node) for near in found for node in near.entries},
        len(index),
    )
    made = list(_checked(similar_table.json_lines(answer)))
    table = LongTable(
        opened.tag,
        lambda first: iter(made[first:]),
        lambda: similar_table.csv_rows(answer),
        len(made),
    )
    return long_table_answer(table, values)


def _answer(
    opened: OpenRepertoire,
    name: str,
    as_lines: Callable[[Workbook], Iterator[str]],
    as_csv: Callable[[Workbook], Iterator[str]],
    values: dict[str, str],
) -> Response:
    """A table that depends on the repertoire alone, whose rows are made once."""
    deadline = Deadline.after(running().settings.limits.work_seconds)
    rows = opened.rows(name, lambda: as_lines(opened.work), deadline.check)
    tag = opened.tag if tells_how_sure() else opened.shown_tag(name)
    table = LongTable(tag, lambda first: iter(rows[first:]), lambda: as_csv(opened.work), len(rows))
    return long_table_answer(table, values)


def _checked(rows: Iterable[str]) -> Iterator[str]:
    """Rows, as long as there is time to make them."""
    deadline = Deadline.after(running().settings.limits.work_seconds)
    for row in rows:
        deadline.check()
        yield row


def _compared(work: Workbook, moves: str) -> Comparison:
    try:
        node = nodes_after(work.book, moves)[0]
    except PathProblem as problem:
        invalid([f"compare: {problem}"], 422)
    try:
        return load_table.counter_of(work).compare_everywhere(node)
    except ValueError:
        played = load_table.moves_from(work, node)
        invalid([f"compare: there is nothing to compare after these moves: {played}"], 422)
