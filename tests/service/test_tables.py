"""Tables of nodes, lines and groups: three formats, the same rows.

Parquet is read back by pyarrow, CSV and JSON by the standard library.
"""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import pytest
from repertoires import by_cores, demo, read

from pawnlore.service.cli import CannotStart
from pawnlore.service.exports import tables
from pawnlore.service.exports.tables import FORMATS, TABLES, write_tables
from pawnlore.service.workbook import Workbook, make_workbook
from pawnlore.structures.repertoire_side import infer_side


def workbook(*texts: str) -> Workbook:
    book = read(*texts) if texts else demo()
    return make_workbook(book, by_cores, infer_side(book))


def parquet_rows(path: Path) -> list[dict[str, Any]]:
    import pyarrow.parquet as pq

    rows: list[dict[str, Any]] = pq.read_table(path).to_pylist()
    return rows


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> dict[str, dict[str, Path]]:
    work = workbook()
    found: dict[str, dict[str, Path]] = {}
    for format in FORMATS:
        folder = tmp_path_factory.mktemp(format)
        paths = write_tables(work, folder, format)
        assert sorted(path.name for path in folder.iterdir()) == sorted(p.name for p in paths)
        found[format] = dict(zip(TABLES, paths, strict=True))
    return found


@pytest.mark.parametrize("name", TABLES)
def test_parquet_holds_what_json_lines_holds(
    written: dict[str, dict[str, Path]], name: str
) -> None:
    text = written["jsonl"][name].read_text(encoding="utf-8")
    rows = [json.loads(line) for line in text.splitlines()]
    assert rows
    assert parquet_rows(written["parquet"][name]) == rows


@pytest.mark.parametrize("name", TABLES)
def test_csv_has_the_same_rows(written: dict[str, dict[str, Path]], name: str) -> None:
    with written["csv"][name].open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    text = written["jsonl"][name].read_text(encoding="utf-8")
    others = [json.loads(line) for line in text.splitlines()]
    assert len(rows) == len(others)
    for row, other in zip(rows, others, strict=True):
        for key in row.keys() & other.keys():
            value = other[key]
            if isinstance(value, str) or (isinstance(value, int) and not isinstance(value, bool)):
                assert row[key] == str(value), key


def test_the_tables_count_what_the_repertoire_has(written: dict[str, dict[str, Path]]) -> None:
    work = workbook()
    rows = {name: parquet_rows(written["parquet"][name]) for name in TABLES}
    assert len(rows["nodes"]) == len(work.book)
    assert len(rows["lines"]) == len(work.book.leaves)
    assert sum(row["lines"] for row in rows["groups"]) == len(rows["lines"])
    places = [
        (end["file"], end["game"], end["node"]) for r in rows["groups"] for end in r["line_ends"]
    ]
    assert sorted(places) == sorted((r["file"], r["game"], r["node"]) for r in rows["lines"])


def test_hostile_names_survive(tmp_path: Path) -> None:
    name = 'a "quoted", <b>na\u2028me</b>'
    escaped = name.replace('"', '\\"')
    work = workbook(f'[Event "{escaped}"]\n\n1. d4 d5 *\n')
    for format in FORMATS:
        write_tables(work, tmp_path, format)
    assert parquet_rows(tmp_path / "lines.parquet")[0]["chapter"] == name
    text = (tmp_path / "lines.jsonl").read_text(encoding="utf-8")
    assert json.loads(text.strip("\n"))["chapter"] == name
    with (tmp_path / "lines.csv").open(encoding="utf-8", newline="") as file:
        assert next(csv.DictReader(file))["chapter"] == name


def test_an_empty_repertoire_makes_empty_tables(tmp_path: Path) -> None:
    work = workbook("")
    for format in FORMATS:
        write_tables(work, tmp_path, format)
    assert parquet_rows(tmp_path / "nodes.parquet") == []
    assert (tmp_path / "groups.jsonl").read_text() == ""


def test_without_pyarrow_the_remedy_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tables, "find_spec", lambda name: None)
    with pytest.raises(CannotStart, match=r"pawnlore\[parquet\]"):
        tables.check_format("parquet")
    tables.check_format("csv")


def test_an_unknown_format_is_refused(tmp_path: Path) -> None:
    with pytest.raises(CannotStart, match="no such format"):
        write_tables(workbook("1. d4 *"), tmp_path, "xls")


def test_a_failed_table_leaves_what_was_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = tmp_path / "nodes.parquet"
    target.write_bytes(b"before")

    def broken(pages: Any) -> Any:
        raise OSError("no space")
        yield

    monkeypatch.setattr(tables, "_rows", broken)
    with pytest.raises(OSError, match="no space"):
        write_tables(workbook("1. d4 *"), tmp_path, "parquet")
    assert [path.name for path in tmp_path.iterdir()] == ["nodes.parquet"]
    assert target.read_bytes() == b"before"
