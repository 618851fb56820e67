"""The pages of surveys without a browser: rights, hostile text, what is out of date, size."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from html import unescape
from pathlib import Path
from typing import Any

import pytest
from described_api import Author, served
from kept_surveys import SCORE, SHARE, beside, beside_tables, keep_survey, survey_tables
from page_forms import form_key
from running_services import TestService, bearer
from sqlalchemy import event

from pawnlore.service.pages.survey_rows import MANY, SOME, THIN
from pawnlore.service.store.repertoire_shelf import RepertoireShelf
from pawnlore.service.store.survey_shelf import (
    MOST_BESIDE_ROWS,
    MOST_ROWS,
    Beside,
    SurveyShelf,
)
from pawnlore.structures.catalogue import shipped_catalogue

HTML = {"Accept": "text/html"}
OURS = {**HTML, "Origin": "http://localhost"}
HOSTILE = '<script>alert(1)</script><img src=x onerror=alert(2)>\u202e {{7*7}} & " '
GAME = (
    b'[Event "One"]\n\n1. d4 d5 2. c4 e6 3. Nc3 Nf6 4. cxd5 exd5 5. Bg5 Be7 6. e3 c6 7. Bd3 Nbd7 '
    b"8. Qc2 O-O *\n"
)
# Two of these read the names of own families, once after a change.
MOST_BYTES, MOST_STATEMENTS = 100_000, 14


@pytest.fixture
def service(tmp_path: Path) -> Iterator[TestService]:
    with served(tmp_path) as made:
        yield made


def page(service: TestService, path: str, status: int = 200) -> str:
    answer = service.client().get(path, headers=HTML)
    assert answer.status_code == status, answer.text
    words = " ".join(re.sub(r"<[^>]+>", " ", answer.text).split())
    return unescape(re.sub(r" (?=[.,:])", "", words))


def upload_of(service: TestService, repertoire: str) -> str:
    return RepertoireShelf(service.store).get(repertoire).upload


@contextmanager
def statements(service: TestService) -> Iterator[list[str]]:
    """What is sent to the database meanwhile."""
    sent: list[str] = []

    def note(_connection: Any, _cursor: Any, statement: str, *_rest: Any) -> None:
        sent.append(statement)

    event.listen(service.store.engine, "before_cursor_execute", note)
    try:
        yield sent
    finally:
        event.remove(service.store.engine, "before_cursor_execute", note)


def test_without_a_survey_the_pages_say_how_to_keep_one(service: TestService) -> None:
    repertoire, _ = Author(service).upload(GAME)
    assert "pawnlore answers SURVEY --keep NAME" in page(service, "/surveys")
    text = page(service, f"/repertoires/{repertoire}/beside")
    assert f"pawnlore answers SURVEY --keep NAME --beside {repertoire}" in text
    assert "In a hundred games" not in page(service, "/structures/carlsbad")
    for path in ("/surveys/none", "/surveys/none/structures/carlsbad"):
        assert "no such survey" in page(service, path, 404)


def test_a_survey_tells_its_numbers_with_how_sure_they_are(service: TestService) -> None:
    kept = keep_survey(SurveyShelf(service.store))
    assert "Club games 500 games" in page(service, "/surveys")
    text = page(service, f"/surveys/{kept.id}")
    assert "From games.pgn.zst. Left out: 2 (no moves)." in text
    assert "another model" in text
    assert "Carlsbad structure, White’s 10.0 7.4 to 13.3 40 55.0 40.0 to 69.0 30.0" in text
    # A structure that no game with a result holds has no score, and is thin.
    assert "Black’s thin 10.0 7.4 to 13.3 1 – nothing is known" in text
    text = page(service, f"/surveys/{kept.id}/structures/carlsbad")
    assert "10.0 in a hundred games hold it (7.4 to 13.3): 40 of 500" in text
    for words in ("after move 4", "1800-1999", "1999", "D00", "b4-b5, White’s lever"):
        assert words in text
    assert "100.0 to a hundred that hold it" in text
    assert "Isolated queen's pawn (isolani), Black’s" in text
    text = page(service, f"/surveys/{kept.id}/structures/isolated-queen-pawn?holder=black")
    assert "few games, so little is sure" in text
    assert "breaks" not in text.casefold().split("how often")[0]
    for path in ("carlsbad?holder=black", "carlsbad?holder=x", "nothing"):
        page(service, f"/surveys/{kept.id}/structures/{path}", 404)


def test_a_structure_and_a_group_tell_how_often_games_come_to_them(service: TestService) -> None:
    repertoire, _ = Author(service).upload(GAME)
    kept = keep_survey(SurveyShelf(service.store))
    for path in ("/structures/carlsbad", f"/repertoires/{repertoire}/groups/carlsbad/white"):
        text = page(service, path)
        assert "In a hundred games of Club games it stands in 10.0 (7.4 to 13.3)" in text
        assert f"/surveys/{kept.id}/structures/carlsbad" in service.client().get(path).text
    assert "No game of Club games holds it" in page(service, "/structures/hedgehog")


def test_beside_games_leads_to_the_board(service: TestService) -> None:
    repertoire, _ = Author(service).upload(GAME)
    shelf = SurveyShelf(service.store)
    with service.app.app_context():
        name = RepertoireShelf(service.store).content(repertoire).book.games[0].file
    tables = beside_tables(name)
    found = Beside(repertoire, upload_of(service, repertoire), 1, "white", 500, 400, tables)
    kept = keep_survey(shelf, "New", found)
    keep_survey(shelf, "Elsewhere")
    path = f"/repertoires/{repertoire}/beside"
    text = page(service, path)
    assert "400 of 500 games (80.0 in a hundred) of New go with White’s moves" in text
    assert "d6 after 1.d4" in text and "40 games of 400 that come here: 10.0" in text
    assert "0 of its 1 half-move are played, by 400 games" in text
    raw = service.client().get(path, headers=HTML).text
    assert raw.count(f'href="/repertoires/{repertoire}/nodes/1"') == 2
    assert f'href="/repertoires/{repertoire}/groups/carlsbad/white' in raw
    for part in tables:
        assert "Beside games" in page(service, f"{path}?part={part}&page=9")
    page(service, f"{path}?survey=nothing", 404)
    # Another upload: numbers stay, but lead nowhere, for nodes are others now.
    Author(service).ended(
        Author(service).send(
            "PUT",
            f"/api/repertoires/{repertoire}/pgn",
            202,
            data=b"1. e4 e5 *",
            content_type="application/vnd.chess-pgn",
        )
    )
    assert "set beside version 1" in page(service, path)
    raw = service.client().get(path, headers=HTML).text
    assert "/nodes/" not in raw and "d6" in raw
    assert f"/surveys/{kept.id}" in raw


def test_who_may_see_and_delete(tmp_path: Path) -> None:
    with served(tmp_path, sign_in=True) as service:
        repertoire, _ = Author(service).upload(GAME)
        shelf = SurveyShelf(service.store)
        kept = keep_survey(shelf, "Games", beside(repertoire, upload_of(service, repertoire)))
        student, client = bearer(service.link(repertoire)), service.client()
        for path in (
            "/surveys",
            f"/surveys/{kept.id}",
            f"/surveys/{kept.id}/structures/carlsbad",
            f"/repertoires/{repertoire}/beside",
        ):
            assert client.get(path, headers={**HTML, **student}).status_code == 403, path
        for path in (
            "/structures",
            "/structures/carlsbad",
            f"/repertoires/{repertoire}",
            f"/repertoires/{repertoire}/groups/carlsbad/white",
        ):
            told = client.get(path, headers={**HTML, **student})
            assert told.status_code == 200
            assert "Games" not in told.text.replace("games", "") and "/surveys" not in told.text
            assert "/beside" not in told.text
        reader = bearer(service.token("read", name="reader"))
        told = client.get(f"/surveys/{kept.id}", headers={**HTML, **reader})
        assert told.status_code == 200 and "Delete" not in told.text
        address = f"/surveys/{kept.id}/delete"
        assert client.post(address, headers={**HTML, **reader}).status_code == 403
        assert shelf.list() == [kept]


def test_a_survey_is_deleted_by_its_form(service: TestService) -> None:
    shelf = SurveyShelf(service.store)
    kept = keep_survey(shelf)
    client = service.client()
    assert client.post(f"/surveys/{kept.id}/delete", headers=OURS).status_code in (400, 403)
    key = form_key(client, f"/surveys/{kept.id}", headers=HTML)
    done = client.post(f"/surveys/{kept.id}/delete", data={"form_key": key}, headers=OURS)
    assert done.status_code == 303 and shelf.list() == []


def test_hostile_names_are_text(service: TestService) -> None:
    repertoire, _ = Author(service).upload(GAME, "x")
    tables = survey_tables()
    for name, column in (("by_opening", "opening"), ("by_year", "year"), ("breaks", "move")):
        for row in tables[name]:
            row[column] = HOSTILE
    for row in (*tables["structures"], *tables["by_ply"]):
        if row["structure"] != "carlsbad":
            row["structure"] = f"own/{HOSTILE}"
    told = beside_tables()
    for rows in told.values():
        for row in rows:
            row |= {key: HOSTILE for key in ("line", "chapter", "chapters", "move") if key in row}
    found = Beside(repertoire, upload_of(service, repertoire), 1, "white", 5, 4, told)
    described = {"inputs": [HOSTILE], "files": 1, "skipped": {HOSTILE: 3}, "cut_short": 1}
    name = HOSTILE.replace("\u202e", "").strip()
    kept = SurveyShelf(service.store).keep(name, 5, described, tables, [found])
    for path in (
        "/surveys",
        f"/surveys/{kept.id}",
        f"/surveys/{kept.id}/structures/carlsbad",
        f"/repertoires/{repertoire}/beside",
        f"/repertoires/{repertoire}/beside?part=chapters",
        "/structures/carlsbad",
    ):
        raw = service.client().get(path, headers=HTML).text
        assert "<script>alert" not in raw and "<img" not in raw, path
        assert "&lt;script&gt;" in raw and "{{7*7}}" in raw


@pytest.mark.slow
def test_the_largest_survey_takes_bounded_room_and_statements(service: TestService) -> None:
    ids = shipped_catalogue().ids
    keys = [(id, holder) for id in ids for holder in ("white", "black", "both")]
    what = {"share": 0.1, "share_low": 0.07, "share_high": 0.13, "middlegame": 9, "ending": 9}
    long = "W" * 200

    def rows(count: int, **more: Any) -> list[dict[str, Any]]:
        return [
            {"structure": "carlsbad", "holder": "white", **SCORE, **SHARE, **more}
            for _ in range(count)
        ]

    tables: dict[str, Any] = {
        "structures": [{"structure": id, "holder": holder, **SCORE, **what} for id, holder in keys],
        "by_ply": [dict(row, ply=ply) for ply, row in enumerate(rows(12))],
        "by_rating": rows(20, rating=long),
        "by_year": rows(MOST_ROWS, year=long),
        "by_opening": rows(MOST_ROWS, opening=long),
        "breaks": rows(MOST_ROWS, side="white", kind="lever", move=long, held=40),
        "transitions": rows(MOST_ROWS, to="isolated-queen-pawn", to_holder="black"),
    }
    repertoire, _ = Author(service).upload(GAME)
    told = beside_tables()
    for name, (row,) in told.items():
        row |= {key: "W" * 1000 for key in ("line", "chapter", "chapters") if key in row}
        told[name] = [row] * MOST_BESIDE_ROWS
    found = Beside(repertoire, upload_of(service, repertoire), 1, "white", 5, 4, told)
    kept = SurveyShelf(service.store).keep("Large", 5, {}, tables, [found])
    base = f"/surveys/{kept.id}/structures/carlsbad"
    beside_path = f"/repertoires/{repertoire}/beside"
    for path in (
        "/surveys",
        f"/surveys/{kept.id}",
        f"/surveys/{kept.id}?page=3",
        base,
        *(f"{base}?part={part}&page=2" for part in tables if part != "structures"),
        beside_path,
        *(f"{beside_path}?part={part}&page=3" for part in told),
        "/structures/carlsbad",
        f"/repertoires/{repertoire}/groups/carlsbad/white",
    ):
        with statements(service) as sent:
            answer = service.client().get(path, headers=HTML)
        assert answer.status_code == 200
        assert len(answer.data) <= MOST_BYTES, (path, len(answer.data))
        assert len(sent) <= MOST_STATEMENTS, (path, sent)
    assert f"All {MOST_ROWS:,} rows" in page(service, base)
    assert SOME < MANY and THIN == 30
