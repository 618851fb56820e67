"""Tables over HTTP: forms, pages and cursors."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import pytest
from flask import Flask
from flask.testing import FlaskClient

from pawnlore.service.api.describe import query
from pawnlore.service.api.problems import register_problems
from pawnlore.service.api.request_values import query_values
from pawnlore.service.api.tables import (
    LONG_PAGING,
    LongTable,
    from_the_first,
    long_table_answer,
)

ROWS = 25


def lines() -> Iterator[str]:
    for row in range(ROWS):
        yield json.dumps({"row": row}) + "\n"


def csv() -> Iterator[str]:
    yield "row\n"
    yield from (f"{row}\n" for row in range(ROWS))


@pytest.fixture
def client() -> FlaskClient:
    app = Flask("tables")
    register_problems(app)
    tags = iter(["one"] * 3 + ["two"] * 9)

    @app.get("/table")
    def table() -> Any:
        return long_table_answer(
            LongTable("t", from_the_first(lines), csv, ROWS), query_values(*LONG_PAGING)
        )

    @app.get("/changing")
    def changing() -> Any:
        return long_table_answer(
            LongTable(next(tags), from_the_first(lines), csv, ROWS), query_values(*LONG_PAGING)
        )

    only = query("only", {"enum": ["even"]}, "Which rows.")

    @app.get("/chosen")
    def chosen() -> Any:
        return long_table_answer(
            LongTable("t", from_the_first(lines), csv, ROWS), query_values(only, *LONG_PAGING)
        )

    return app.test_client()


def test_pages_hold_every_row_once(client: FlaskClient) -> None:
    found, address = [], "/table?limit=10"
    for expected in (10, 10, 5):
        answer = client.get(address)
        assert answer.status_code == 200 and answer.json is not None
        assert len(answer.json["items"]) == expected and answer.json["total"] == ROWS
        found += [row["row"] for row in answer.json["items"]]
        link = answer.headers.get("Link", "")
        address = link[1 : link.index(">")] if link else ""
    assert found == list(range(ROWS))
    assert answer.json["next"] is None and not address


def test_a_page_that_ends_with_the_table_is_the_last(client: FlaskClient) -> None:
    answer = client.get("/table?limit=25")
    assert answer.json is not None
    assert len(answer.json["items"]) == 25 and answer.json["next"] is None


@pytest.mark.parametrize(
    ("accept", "kind"),
    [
        (None, "application/json"),
        ("application/jsonl", "application/jsonl"),
        ("text/csv", "text/csv"),
        ("text/*;q=0.5", "text/csv"),
        ("application/x-ndjson", "application/jsonl"),
        ("*/*", "application/json"),
        ("text/html, application/json;q=0.1", "application/json"),
    ],
)
def test_the_caller_chooses_the_form(client: FlaskClient, accept: str | None, kind: str) -> None:
    answer = client.get("/table", headers={} if accept is None else {"Accept": accept})
    assert answer.status_code == 200
    assert answer.mimetype == kind and answer.headers["Vary"] == "Accept"
    if kind != "application/json":
        assert answer.text == "".join(csv() if kind == "text/csv" else lines())


@pytest.mark.parametrize(
    ("query", "named"),
    [
        ("format=xml", "format"),
        ("limit=1&limit=2", "limit"),
        ("limit=0", "limit"),
        ("limit=1001", "limit"),
        ("limit=-1", "limit"),
        ("limit=²", "limit"),
        ("limit=99999999999999999999", "limit"),
        ("cursor=", "cursor"),
        ("cursor=5", "cursor"),
        ("cursor=t.x", "cursor"),
        ("cursor=t.-1", "cursor"),
        ("cursor=t.9999999999", "cursor"),
        ("cursor=other.5", "cursor"),
    ],
)
def test_bad_arguments_are_named(client: FlaskClient, query: str, named: str) -> None:
    answer = client.get(f"/table?{query}")
    assert answer.status_code == 400 and answer.json is not None
    assert answer.mimetype == "application/problem+json" and named in answer.json["errors"][0]


def test_a_format_in_the_address_comes_before_the_header(client: FlaskClient) -> None:
    answer = client.get("/table?format=jsonl", headers={"Accept": "text/csv"})
    assert answer.mimetype == "application/jsonl"


def test_a_place_beyond_the_end_is_an_empty_page(client: FlaskClient) -> None:
    first = client.get("/table?limit=1").json
    assert first is not None
    tag = first["next"].rpartition(".")[0]
    answer = client.get(f"/table?cursor={tag}.999")
    assert answer.json == {"items": [], "next": None, "total": ROWS}


def test_pages_of_two_tables_are_not_mixed(client: FlaskClient) -> None:
    answer = client.get("/changing?limit=5")
    assert answer.json is not None
    cursor = answer.json["next"]
    assert client.get(f"/changing?limit=5&cursor={cursor}").status_code == 200
    assert client.get("/changing").status_code == 200
    assert client.get(f"/changing?cursor={cursor}").status_code == 400


def test_a_cursor_is_good_for_the_question_that_it_came_from(client: FlaskClient) -> None:
    cursors = {}
    for address in ("/chosen", "/chosen?only=even", "/table"):
        answer = client.get(f"{address}{'&' if '?' in address else '?'}limit=5")
        assert answer.json is not None
        cursors[address] = answer.json["next"]
    assert len(set(cursors.values())) == 3
    for address in cursors:
        for other, cursor in cursors.items():
            sign = "&" if "?" in address else "?"
            answer = client.get(f"{address}{sign}limit=7&cursor={cursor}")
            assert answer.status_code == (200 if address == other else 400)


def test_what_nobody_accepts(client: FlaskClient) -> None:
    answer = client.get("/table", headers={"Accept": "image/png"})
    assert answer.status_code == 406 and answer.mimetype == "application/problem+json"


@pytest.mark.parametrize("form", ["json", "csv", "jsonl"])
@pytest.mark.parametrize("asked", ["limit=0", "limit=x", "cursor=x", "cursor=gone.20"])
def test_what_is_asked_wrongly_is_told_in_every_form(
    client: FlaskClient, form: str, asked: str
) -> None:
    assert client.get(f"/table?format={form}&{asked}").status_code == 400
