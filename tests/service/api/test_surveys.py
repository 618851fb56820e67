"""Kept surveys over HTTP: their tables, plots, and what they are beside repertoires."""

from __future__ import annotations

import csv
import io
import json
import xml.etree.ElementTree as ElementTree
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from described_api import Author, json_of, served
from kept_surveys import DESCRIBED, beside, beside_tables, keep_survey, survey_tables
from running_services import TestService, bearer

from pawnlore.service.store.repertoire_shelf import RepertoireShelf
from pawnlore.service.store.survey_shelf import BESIDE_TABLES, TABLES, SurveyShelf


@pytest.fixture
def service(tmp_path: Path) -> Iterator[TestService]:
    with served(tmp_path) as made:
        yield made


@pytest.fixture
def author(service: TestService) -> Author:
    return Author(service)


def all_rows(author: Author, address: str, limit: int = 2) -> list[Any]:
    """The rows of a table, page after page."""
    rows: list[Any] = []
    cursor = ""
    while True:
        page = json_of(author.send("GET", f"{address}limit={limit}{cursor}", 200))
        rows += page["items"]
        if page["next"] is None:
            assert page["total"] == len(rows)
            return rows
        cursor = f"&cursor={page['next']}"


def test_a_survey_is_listed_read_and_deleted(service: TestService, author: Author) -> None:
    assert json_of(author.send("GET", "/api/surveys", 200)) == {"next": None, "items": []}
    kept = keep_survey(SurveyShelf(service.store))
    (listed,) = json_of(author.send("GET", "/api/surveys", 200))["items"]
    assert (listed["id"], listed["name"], listed["games"]) == (kept.id, "Club games", 500)
    address = f"/api/surveys/{kept.id}"
    answer = author.send("GET", address, 200)
    found = json_of(answer)
    assert found["described"] == DESCRIBED and found["repertoires"] == []
    assert found["tables"] == {name: len(rows) for name, rows in survey_tables().items()}
    tag = {"If-None-Match": answer.headers["ETag"]}
    author.send("GET", address, 304, headers=tag)
    keep_survey(SurveyShelf(service.store))
    assert json_of(author.send("GET", address, 200, headers=tag))["revision"] == 2
    author.send("DELETE", address, 204)
    author.send("DELETE", address, 404)
    author.send("GET", f"{address}/tables/breaks", 404)
    author.send("GET", f"{address}/plots/scores", 404)


def test_every_table_is_given_in_every_form(service: TestService, author: Author) -> None:
    kept = keep_survey(SurveyShelf(service.store))
    for name in TABLES:
        address = f"/api/surveys/{kept.id}/tables/{name}?"
        rows = all_rows(author, address)
        lines = author.send("GET", f"{address}format=jsonl", 200).get_data(as_text=True)
        assert [json.loads(line) for line in lines.splitlines()] == rows
        text = author.send("GET", f"{address}format=csv", 200).get_data(as_text=True)
        table = list(csv.DictReader(io.StringIO(text)))
        assert [row["games"] for row in table] == [str(row["games"]) for row in rows]
        assert list(table[0]) == list(rows[0]) == list(survey_tables()[name][0])
        some = all_rows(author, f"{address}structure=carlsbad&")
        assert some == [row for row in rows if row["structure"] == "carlsbad"] != []
        assert all_rows(author, f"{address}structure=own/none&") == []
    scoreless = all_rows(author, f"/api/surveys/{kept.id}/tables/structures?")[-1]
    assert scoreless["score"] is None and scoreless["decided"] == 0
    author.send("GET", f"/api/surveys/{kept.id}/tables/nothing", 404)


def test_a_cursor_of_a_survey_that_was_replaced_is_refused(
    service: TestService, author: Author
) -> None:
    kept = keep_survey(SurveyShelf(service.store))
    address = f"/api/surveys/{kept.id}/tables/by_ply?limit=1"
    cursor = json_of(author.send("GET", address, 200))["next"]
    author.send("GET", f"{address}&cursor={cursor}", 200)
    keep_survey(SurveyShelf(service.store))
    author.send("GET", f"{address}&cursor={cursor}", 400)


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ("frequencies", "Carlsbad structure (white): 10.0 % (7.4 to 13.3), 40 games"),
        ("scores", "isolated queen's pawn (isolani) (black): nothing is known"),
        ("frequencies?structure=carlsbad", "after move 4: 10.0 % (7.4 to 13.3), 40 games"),
        ("scores?structure=carlsbad&holder=white", "1800-1999: 55.0 % (40.0 to 69.0), 38 games"),
    ],
)
def test_plots_say_in_words_what_they_draw(
    service: TestService, author: Author, asked: str, words: str
) -> None:
    kept = keep_survey(SurveyShelf(service.store))
    address = f"/api/surveys/{kept.id}/plots/{asked}"
    answer = author.send("GET", address, 200)
    assert answer.mimetype == "image/svg+xml"
    drawn = ElementTree.fromstring(answer.get_data())
    told = drawn.findtext("{http://www.w3.org/2000/svg}desc") or ""
    assert words in told
    author.send("GET", address, 304, headers={"If-None-Match": answer.headers["ETag"]})
    author.send("GET", address, 406, headers={"Accept": "image/png"})


@pytest.mark.parametrize(
    ("asked", "status"),
    [
        ("nothing", 404),
        ("scores?structure=own/none", 404),
        ("scores?structure=carlsbad&holder=black", 404),
        ("scores?structure=carlsbad&holder=me", 400),
        ("scores?colour=red", 400),
    ],
)
def test_plots_that_cannot_be_drawn(
    service: TestService, author: Author, asked: str, status: int
) -> None:
    kept = keep_survey(SurveyShelf(service.store))
    author.send("GET", f"/api/surveys/{kept.id}/plots/{asked}", status)


def test_what_is_beside_a_repertoire(service: TestService, author: Author) -> None:
    repertoire, _ = author.upload()
    address = f"/api/repertoires/{repertoire}/beside"
    assert all_rows(author, f"{address}?") == []
    author.send("GET", f"{address}/groups", 404)
    shelf, upload = (
        SurveyShelf(service.store),
        RepertoireShelf(service.store).get(repertoire).upload,
    )
    old = keep_survey(shelf, "Old", beside(repertoire, upload, followed=7))
    new = keep_survey(shelf, "New", beside(repertoire, upload))
    alone = keep_survey(shelf, "Alone")
    rows = all_rows(author, f"{address}?", 1)
    assert [(row["survey"], row["followed"], row["current"]) for row in rows] == [
        (new.id, 400, True),
        (old.id, 7, True),
    ]
    for name in BESIDE_TABLES:
        found = all_rows(author, f"{address}/{name}?")
        assert found == beside_tables()[name]
        assert all_rows(author, f"{address}/{name}?survey={old.id}&") == found
        text = author.send("GET", f"{address}/{name}?format=csv", 200).get_data(as_text=True)
        assert len(list(csv.DictReader(io.StringIO(text)))) == len(found)
    author.send("GET", f"{address}/groups?survey={alone.id}", 404)
    author.send("GET", f"{address}/nothing", 404)
    author.send("GET", "/api/repertoires/none/beside", 404)
    assert json_of(author.send("GET", f"/api/surveys/{new.id}", 200))["repertoires"] == [repertoire]
    # A new upload: the tables stay, and say that they are of the content before.
    other = author.send(
        "PUT",
        f"/api/repertoires/{repertoire}/pgn",
        202,
        data=b"1. e4 e5 *",
        content_type="application/vnd.chess-pgn",
    )
    assert author.ended(other)["state"] == "done"
    assert [row["current"] for row in all_rows(author, f"{address}?", 1)] == [False, False]
    author.send("DELETE", f"/api/repertoires/{repertoire}", 204)
    author.send("GET", address, 404)
    assert json_of(author.send("GET", f"/api/surveys/{new.id}", 200))["repertoires"] == []


def test_students_and_read_tokens(tmp_path: Path) -> None:
    with served(tmp_path, sign_in=True) as service:
        author = Author(service)
        repertoire, _ = author.upload()
        upload = RepertoireShelf(service.store).get(repertoire).upload
        shelf = SurveyShelf(service.store)
        kept = keep_survey(shelf, "Games", beside(repertoire, upload))
        student, client = bearer(service.link(repertoire)), service.client()
        reader = bearer(service.token("read", name="reader"))
        for path in (
            "/api/surveys",
            f"/api/surveys/{kept.id}",
            f"/api/surveys/{kept.id}/tables/structures",
            f"/api/surveys/{kept.id}/plots/frequencies",
            f"/api/repertoires/{repertoire}/beside",
            f"/api/repertoires/{repertoire}/beside/groups",
        ):
            assert client.get(path, headers=student).status_code == 403, path
            assert client.get(path, headers=reader).status_code == 200, path
        for headers in (student, reader):
            assert client.delete(f"/api/surveys/{kept.id}", headers=headers).status_code == 403
        assert shelf.list() == [kept]
