"""Tables of nodes, lines and groups in files: CSV, JSON Lines and Parquet.

The three formats hold the same rows in the same order. Parquet keeps the types
and the nested parts of JSON Lines; it needs pyarrow (the extra ``parquet``).
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator
from importlib.util import find_spec
from itertools import islice
from pathlib import Path
from typing import Any

from pawnlore.service.cli import CannotStart
from pawnlore.service.exports import group_table, node_table
from pawnlore.service.exports.output import write_output
from pawnlore.service.workbook import Workbook

FORMATS = ("csv", "jsonl", "parquet")
"""The formats, which are also the endings of the files' names."""

_Pages = Callable[[Workbook], Iterator[str]]

_TABLES: dict[str, dict[str, _Pages]] = {
    "nodes": {
        "csv": lambda work: node_table.csv_rows(work.book, work.distinct),
        "jsonl": lambda work: node_table.json_lines(work.book, work.distinct),
    },
    "lines": {"csv": group_table.line_csv_rows, "jsonl": group_table.line_json_lines},
    "groups": {"csv": group_table.csv_rows, "jsonl": group_table.json_lines},
}

TABLES = tuple(_TABLES)
"""The tables, which are also their files' names."""

_ROWS = 50_000
"""Rows that are turned into columns at a time."""

_PLACE = {"file": "text", "game": "int", "node": "int"}
_KEY = {"structure": "text", "holder": "text", "stance": "text"}
_SCHEMAS: dict[str, dict[str, Any]] = {
    "nodes": {
        **_PLACE,
        "parent": "int",
        "ply": "int",
        "move": "text",
        "structure": "text",
        "holder": "text",
        "probability": "float",
        "core": "bool",
        "fen": "text",
    },
    "lines": {
        **_PLACE,
        "chapter": "text",
        **_KEY,
        "move_order_of": "text",
        "settles_ply": "int",
        "settles_move": "text",
        "dwell": "int",
        "ending": "text",
        "ending_holder": "text",
        "passed": ["text"],
        "moves": "text",
    },
    "groups": {
        "structure": "text",
        "name": "text",
        "holder": "text",
        "stance": "text",
        "lines": "int",
        "move_orders": "int",
        "share": "float",
        "earliest_ply": "int",
        "earliest_move": "text",
        "probability": "float",
        "chapters": [
            {
                "chapter": "text",
                **_PLACE,
                "lines": "int",
                "ply": "int",
                "settles": "bool",
                "main": "bool",
                "moves": "text",
            }
        ],
        "endings": [{"structure": "text", "holder": "text", "lines": "int"}],
        "finer": [{"structure": "text", "holder": "text", "lines": "int"}],
        "reversed": [_KEY],
        "teach": {"place": "int", "because": "text", "of": _KEY, "lines": "int"},
        "model": {**_PLACE, "moves": "text"},
        "line_ends": [_PLACE],
    },
}
"""The columns of each table: a type, a list of one kind of thing, or a record."""


def check_format(format: str) -> None:
    """Find out before the long work that a format can be written.

    Raises `CannotStart`.
    """
    if format not in FORMATS:
        raise CannotStart(f"no such format: {format}; there are {', '.join(FORMATS)}")
    if format == "parquet" and find_spec("pyarrow") is None:
        raise CannotStart(
            "Parquet needs pyarrow: install pawnlore[parquet], or choose csv or jsonl"
        )


def write_tables(work: Workbook, folder: Path, format: str) -> list[Path]:
    """Write ``nodes``, ``lines`` and ``groups`` into a folder; the files' paths.

    A file takes its name when it is complete. Raises `CannotStart` for a
    format that cannot be written.
    """
    check_format(format)
    paths = []
    for name in TABLES:
        path = folder / f"{name}.{format}"
        if format == "parquet":
            _write_parquet(name, _TABLES[name]["jsonl"](work), path)
        else:
            write_output(_TABLES[name][format](work), path)
        paths.append(path)
    return paths


def _write_parquet(name: str, pages: Iterable[str], path: Path) -> None:
    import pyarrow as pa
    import pyarrow.parquet as pq

    columns = _SCHEMAS[name]
    if name == "nodes":
        pages = iter(pages)
        first = next(pages, "")
        # FENs are there only when they were asked for.
        with_fen = '"fen": ' in first.partition("\n")[0]
        columns = {key: kind for key, kind in columns.items() if key != "fen" or with_fen}
        pages = _chain(first, pages)
    schema = pa.schema([pa.field(key, _type(kind)) for key, kind in columns.items()])
    part = path.with_name(f".{path.name}.part")
    try:
        with pq.ParquetWriter(part, schema) as writer:
            rows = _rows(pages)
            while batch := list(islice(rows, _ROWS)):
                writer.write_table(pa.Table.from_pylist(batch, schema=schema))
        part.replace(path)
    except BaseException:
        part.unlink(missing_ok=True)
        raise


def _rows(pages: Iterable[str]) -> Iterator[dict[str, Any]]:
    for page in pages:
        for line in page.split("\n"):
            if line:
                yield json.loads(line)


def _chain(first: str, rest: Iterable[str]) -> Iterator[str]:
    yield first
    yield from rest


def _type(kind: Any) -> Any:
    import pyarrow as pa

    if isinstance(kind, list):
        return pa.list_(_type(kind[0]))
    if isinstance(kind, dict):
        return pa.struct([pa.field(key, _type(inner)) for key, inner in kind.items()])
    return {
        "text": pa.string(),
        "int": pa.int32(),
        "float": pa.float64(),
        "bool": pa.bool_(),
    }[kind]
