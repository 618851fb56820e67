"""Repertoires over HTTP: uploads as jobs, tables, exports, and what nobody may do."""

from __future__ import annotations

import csv
import io
import json
import re
import time
import zipfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import chess.pgn
import numpy as np
import pytest
from flask import Flask
from flask.testing import FlaskClient
from repertoires import by_cores
from werkzeug.test import TestResponse

from pawnlore import labelled_demo
from pawnlore.service.api.repertoires_at_hand import repertoires
from pawnlore.service.app import create_app
from pawnlore.service.exports import chosen_nodes, group_table, load_table, owed_table
from pawnlore.service.running import parts_of
from pawnlore.service.settings import ServiceLimits, Settings
from pawnlore.service.store.job_shelf import MOST_WAITING
from pawnlore.service.store.label_shelf import LabelShelf
from pawnlore.service.store.note_shelf import NoteShelf
from pawnlore.service.store.store import open_store
from pawnlore.structures.catalogue import shipped_catalogue
from pawnlore.structures.skeleton import Masks, skeleton_from_board, skeletons_from_boards
from pawnlore.structures.verdict import NONE, Verdicts

DEMO = sorted((Path(labelled_demo.__file__).parent / "repertoire").glob("*.pgn"))
PGN = "application/vnd.chess-pgn"
ISOLANI = "8/pp3ppp/4p3/8/3P4/8/PP3PPP/8"

ONE = """\
[Event "Exchange"]

1. d4 d5 2. c4 e6 (2... c6 3. cxd5 cxd5 4. Nc3) 3. Nc3 Nf6 4. cxd5 exd5 5. Bg5 c6 6. e3 Be7 *
"""


@pytest.fixture
def app(tmp_path: Path) -> Iterator[Flask]:
    yield from served(tmp_path, ServiceLimits())


def served(home: Path, limits: ServiceLimits) -> Iterator[Flask]:
    database = f"sqlite:///{home / 'store.sqlite'}"
    store = open_store(database)
    cores = SimpleNamespace(classify=by_cores, digest="cores", catalogue=shipped_catalogue())
    app = create_app(Settings(home, database, limits=limits), store, cores)  # type: ignore[arg-type]
    yield app
    with app.app_context():
        repertoires().runner.wait()
    store.close()


@pytest.fixture
def client(app: Flask) -> FlaskClient:
    return app.test_client()


def finished(client: FlaskClient, answer: TestResponse) -> dict[str, Any]:
    """The job of an upload when it has ended."""
    assert answer.status_code == 202, answer.text
    place = answer.headers["Location"]
    for _ in range(600):
        job = client.get(place).json
        assert job is not None
        if job["state"] in ("done", "failed"):
            return dict(job)
        time.sleep(0.02)
    raise AssertionError(f"the job does not end: {job}")


def uploaded(client: FlaskClient, text: str = ONE, query: str = "?name=Course") -> dict[str, Any]:
    answer = client.post(f"/api/repertoires{query}", data=text.encode(), content_type=PGN)
    job = finished(client, answer)
    assert job["state"] == "done", job
    return dict(job["result"])


def demo(client: FlaskClient) -> str:
    parts = [(io.BytesIO(path.read_bytes()), path.name) for path in DEMO]
    answer = client.post("/api/repertoires?name=Demo", data={"pgn": parts})
    job = finished(client, answer)
    assert job["state"] == "done", job
    return str(job["result"]["repertoire"])


def every_row(client: FlaskClient, address: str, limit: int) -> list[dict[str, Any]]:
    """All rows, a page at a time."""
    rows: list[dict[str, Any]] = []
    address += f"{'&' if '?' in address else '?'}limit={limit}"
    while address:
        answer = client.get(address)
        assert answer.status_code == 200 and answer.json is not None, answer.text
        rows += answer.json["items"]
        assert len(answer.json["items"]) <= limit
        link = answer.headers.get("Link", "")
        address = link[1 : link.index(">")] if link else ""
    assert len(rows) == answer.json["total"]
    return rows


def test_an_upload_is_a_job_that_tells_how_far_it_is(client: FlaskClient) -> None:
    answer = client.post("/api/repertoires?name=Course", data=ONE.encode(), content_type=PGN)
    assert answer.status_code == 202 and answer.json is not None
    begun = answer.json["job"]
    assert begun["kind"] == "upload" and begun["total"] == len(ONE.encode())
    assert answer.headers["Location"] == f"/api/jobs/{begun['id']}"
    job = finished(client, answer)
    assert job["state"] == "done" and job["done"] == job["total"]
    result = job["result"]
    assert (result["games"], result["nodes"], result["version"]) == (1, 17, 1)
    assert result["problem_count"] == 0 and result["problems"] == []
    listed = client.get("/api/repertoires").json
    assert listed is not None and [one["id"] for one in listed["items"]] == [result["repertoire"]]
    one = client.get(f"/api/repertoires/{result['repertoire']}").json
    assert one is not None
    assert (one["name"], one["nodes"], one["model"]) == ("Course", 17, "cores")


def test_the_file_comes_back_byte_for_byte(client: FlaskClient) -> None:
    raw = b"\xef\xbb\xbf" + ONE.replace("\n", "\r\n").encode() + b"; caf\xe9 {\n\n"
    answer = client.post("/api/repertoires?file=a.pgn", data=raw, content_type="text/plain")
    found = finished(client, answer)["result"]
    back = client.get(f"/api/repertoires/{found['repertoire']}/pgn")
    assert back.data == raw and back.mimetype == PGN
    assert "a.pgn" in back.headers["Content-Disposition"]
    assert client.get(f"/api/repertoires/{found['repertoire']}/pgn?file=2").status_code == 404


def test_several_files_are_one_repertoire(client: FlaskClient) -> None:
    id = demo(client)
    rows = every_row(client, f"/api/repertoires/{id}/lines", 1000)
    assert {row["file"] for row in rows} == {path.name for path in DEMO}
    for number, path in enumerate(DEMO, 1):
        assert client.get(f"/api/repertoires/{id}/pgn?file={number}").data == path.read_bytes()


def test_a_bad_game_costs_no_other_and_is_named(client: FlaskClient) -> None:
    text = '[Event "Bad"]\n\n1. d4 d5 2. Kd8 *\n\n' + ONE
    result = uploaded(client, text)
    assert result["games"] == 2 and result["problem_count"] == 1
    problem = result["problems"][0]
    assert problem["game"] == 1 and problem["line"] == 3 and "Kd8" in problem["move"]


@pytest.mark.parametrize("raw", [b"", b"   \n", b"\x1f\x8b\x08 no text", b"\0\0\0\0"])
def test_what_holds_no_game_fails_and_leaves_nothing(client: FlaskClient, raw: bytes) -> None:
    answer = client.post("/api/repertoires?name=X", data=raw, content_type=PGN)
    job = finished(client, answer)
    assert job["state"] == "failed" and "no game" in job["message"], job
    listed = client.get("/api/repertoires").json
    assert listed is not None and listed["items"] == []


def test_uploading_again_keeps_the_identity_and_tells_what_changed(client: FlaskClient) -> None:
    first = uploaded(client)
    id = first["repertoire"]
    longer = ONE.replace("6. e3 Be7 *", "6. e3 Be7 7. Bd3 O-O *").replace(" 4. Nc3)", ")")
    answer = client.put(f"/api/repertoires/{id}/pgn", data=longer.encode(), content_type=PGN)
    second = finished(client, answer)["result"]
    assert second["repertoire"] == id and second["version"] == 2
    assert (second["added"], second["gone"], second["moved"]) == (2, 1, 0)
    one = client.get(f"/api/repertoires/{id}").json
    assert one is not None and one["name"] == "Course" and one["nodes"] == 18
    rows = every_row(client, f"/api/repertoires/{id}/changes", 2)
    assert [(row["what"], row["moves"].split()[-1]) for row in rows] == [
        ("added", "Bd3"),
        ("added", "O-O"),
        ("gone", "Nc3"),
    ]
    assert rows[0]["structure"] == "carlsbad" and rows[2]["structure"] == ""


def test_a_failed_upload_leaves_the_repertoire_as_it_was(client: FlaskClient) -> None:
    id = uploaded(client)["repertoire"]
    answer = client.put(f"/api/repertoires/{id}/pgn", data=b"", content_type=PGN)
    assert finished(client, answer)["state"] == "failed"
    assert client.get(f"/api/repertoires/{id}/pgn").data == ONE.encode()


def test_nodes_by_structure_in_pages(client: FlaskClient) -> None:
    id = demo(client)
    rows = every_row(client, f"/api/repertoires/{id}/nodes", 300)
    for structure, holder in (("carlsbad", "white"), ("unsettled", "both"), ("no-such", "")):
        query = f"structure={structure}" + (f"&holder={holder}" if holder else "")
        chosen = every_row(client, f"/api/repertoires/{id}/nodes?{query}", 7)
        wanted = [row for row in rows if row["structure"] == structure]
        assert chosen == [row for row in wanted if holder in ("", row["holder"])]
    assert any(row["structure"] == "carlsbad" for row in rows)


def test_a_nodes_moves_lead_to_its_pawns(client: FlaskClient) -> None:
    """python-chess plays every node's moves; the cores then name what the row names."""
    id = uploaded(client)["repertoire"]
    rows = every_row(client, f"/api/repertoires/{id}/nodes", 1000)
    boards = []
    for row in rows:
        board = chess.Board()
        for word in re.sub(r"\d+\.+", " ", row["moves"]).split():
            board.push_san(word)
        boards.append(board)
    found = by_cores(skeletons_from_boards(boards))
    assert [row["structure"] for row in rows] == [found.structure(i) for i in range(len(rows))]
    assert [row["ply"] for row in rows] == [board.ply() for board in boards]


@pytest.mark.parametrize(
    ("table", "columns"),
    [
        ("nodes", chosen_nodes.COLUMNS),
        ("groups", group_table.COLUMNS),
        ("lines", group_table.LINE_COLUMNS),
        ("owed", owed_table.COLUMNS),
        ("load", load_table.COLUMNS),
        (f"breaks?fen={ISOLANI}", None),
        (f"similar?fen={ISOLANI}&count=3&mirrored=true", None),
    ],
)
def test_every_table_has_the_same_rows_in_three_forms(
    client: FlaskClient, table: str, columns: tuple[str, ...] | None
) -> None:
    address = f"/api/repertoires/{demo(client)}/{table}"
    rows = every_row(client, address, 11)
    assert rows
    mark = "&" if "?" in address else "?"
    lines = client.get(f"{address}{mark}format=jsonl").text.splitlines()
    assert [json.loads(line) for line in lines] == rows
    answer = client.get(address, headers={"Accept": "text/csv"})
    assert answer.mimetype == "text/csv"
    head, *cells = list(csv.reader(io.StringIO(answer.text)))
    assert len(cells) == len(rows)
    if columns is not None:
        assert tuple(head) == columns


def test_owed_looks_at_the_notes_of_the_store(app: Flask, client: FlaskClient) -> None:
    id = demo(client)
    address = f"/api/repertoires/{id}/owed"
    before = {row["what"] for row in every_row(client, address, 1000) if row["kind"] == "no-note"}
    assert before
    with app.app_context():
        shelf = NoteShelf(repertoires().shelf.store)
        shelf.create(
            '+++\nstructure = "carlsbad"\nholder = "any"\nside = "holder"\n'
            'title = "Minority attack"\n+++\n\nPush b4.\n',
            author="A",
        )
    after = {row["what"] for row in every_row(client, address, 1000) if row["kind"] == "no-note"}
    assert after < before


def test_the_authors_label_comes_before_the_model(app: Flask, client: FlaskClient) -> None:
    id = uploaded(client)["repertoire"]
    address = f"/api/repertoires/{id}/nodes"
    carlsbad = every_row(client, f"{address}?structure=carlsbad", 100)
    assert carlsbad
    board = chess.Board()
    for word in re.sub(r"\d+\.+", " ", carlsbad[-1]["moves"]).split():
        board.push_san(word)
    with app.app_context():
        labels = LabelShelf(repertoires().shelf.store)
        labels.put(skeleton_from_board(board), "own/exchange", "white", author="A")
    own = every_row(client, f"{address}?structure=own/exchange", 100)
    assert own and own[0]["probability"] == 1.0
    assert len(every_row(client, f"{address}?structure=carlsbad", 100)) < len(carlsbad)
    # A position of a family that no node has any more is no fault.
    for query in (f"breaks?fen={ISOLANI}", f"breaks?fen={board.fen()}", f"similar?fen={ISOLANI}"):
        assert client.get(f"/api/repertoires/{id}/{query}").status_code == 200


def test_load_compares_the_moves_of_one_position(client: FlaskClient) -> None:
    id = uploaded(client)["repertoire"]
    rows = every_row(client, f"/api/repertoires/{id}/load?compare=1. d4 d5 2. c4", 10)
    assert [row["move"] for row in rows] == ["2...e6", "2...c6"]
    for compare in ("1. d4 d5", "1. e4", "1. Qh9", "x" * 9000):
        answer = client.get(f"/api/repertoires/{id}/load", query_string={"compare": compare})
        assert answer.status_code == 422, compare


def test_exports_hold_every_line(client: FlaskClient) -> None:
    id = demo(client)
    lines = every_row(client, f"/api/repertoires/{id}/lines", 1000)
    tagged = client.get(f"/api/repertoires/{id}/tagged.pgn?every=true")
    assert tagged.mimetype == PGN and games_in(tagged.text) == len(
        {(row["file"], row["game"]) for row in lines}
    )
    packed = client.get(f"/api/repertoires/{id}/split.zip")
    with zipfile.ZipFile(io.BytesIO(packed.data)) as archive:
        assert archive.testzip() is None
        groups = every_row(client, f"/api/repertoires/{id}/groups", 1000)
        assert len(archive.namelist()) == len(groups)
        assert all(games_in(archive.read(name).decode()) for name in archive.namelist())
    assert client.get(f"/api/repertoires/{id}/split.zip").data == packed.data
    page = client.get(f"/api/repertoires/{id}/booklet.html?title=A <b>course</b>")
    assert page.mimetype == "text/html" and "A &lt;b&gt;course&lt;/b&gt;" in page.text
    assert "script" not in page.headers["Content-Security-Policy"]
    assert page.headers["Content-Security-Policy"].startswith("default-src 'none'")


def games_in(text: str) -> int:
    """How many games python-chess's own reader finds without an error."""
    stream, count = io.StringIO(text), 0
    while (game := chess.pgn.read_game(stream)) is not None:
        assert not game.errors
        count += 1
    return count


def test_rename_and_delete(client: FlaskClient) -> None:
    id = uploaded(client)["repertoire"]
    answer = client.patch(f"/api/repertoires/{id}", json={"name": "New", "side": "white"})
    assert answer.json is not None
    assert (answer.json["name"], answer.json["side"]) == ("New", "white")
    assert client.patch(f"/api/repertoires/{id}", json={"side": "green"}).status_code == 422
    assert client.patch(f"/api/repertoires/{id}", json={"colour": "x"}).status_code == 400
    assert client.delete(f"/api/repertoires/{id}").status_code == 204
    for address in ("", "/nodes", "/groups", "/pgn", "/changes", "/booklet.html"):
        assert client.get(f"/api/repertoires/{id}{address}").status_code == 404
    assert client.delete(f"/api/repertoires/{id}").status_code == 404


def test_a_cursor_of_an_earlier_version_is_refused(client: FlaskClient) -> None:
    id = uploaded(client)["repertoire"]
    page = client.get(f"/api/repertoires/{id}/nodes?limit=2").json
    assert page is not None
    again = client.put(f"/api/repertoires/{id}/pgn", data=ONE.encode(), content_type=PGN)
    assert finished(client, again)["state"] == "done"
    answer = client.get(f"/api/repertoires/{id}/nodes?limit=2&cursor={page['next']}")
    assert answer.status_code == 400 and "changed" in answer.text


@pytest.mark.parametrize(
    ("method", "address", "content_type", "status"),
    [
        ("POST", "/api/repertoires", "application/json", 415),
        ("POST", "/api/repertoires", "multipart/form-data; boundary=x", 400),
        ("POST", "/api/repertoires?side=green", PGN, 400),
        ("POST", "/api/repertoires?what=x", PGN, 400),
        ("PUT", "/api/repertoires/none/pgn", PGN, 404),
        ("GET", "/api/repertoires/none", None, 404),
        ("GET", "/api/jobs/none", None, 404),
        ("GET", "/api/jobs?state=green", None, 400),
        ("DELETE", "/api/repertoires", None, 405),
    ],
)
def test_errors_are_problems(
    client: FlaskClient, method: str, address: str, content_type: str | None, status: int
) -> None:
    answer = client.open(address, method=method, data=b"1. d4 *", content_type=content_type)
    assert answer.status_code == status, answer.text
    assert answer.mimetype == "application/problem+json"


def test_limits_hold(tmp_path: Path) -> None:
    limits = ServiceLimits(pgn_bytes=2000, nodes=10)
    app = next(iter_ := served(tmp_path, limits))
    client = app.test_client()
    big = client.post("/api/repertoires", data=b" " * 2001, content_type=PGN)
    assert big.status_code == 413 and big.mimetype == "application/problem+json"
    cut = uploaded(client)
    assert cut["nodes"] == 10 and cut["problem_count"] == 1
    # What is made of it again from its file is the same.
    assert client.get(f"/api/repertoires/{cut['repertoire']}/booklet.html").status_code == 200
    assert next(iter_, None) is None


def test_an_upload_that_takes_too_long_keeps_nothing(tmp_path: Path) -> None:
    app = next(iter_ := served(tmp_path, ServiceLimits(seconds=0.0)))
    client = app.test_client()
    answer = client.post("/api/repertoires?name=X", data=ONE.encode(), content_type=PGN)
    job = finished(client, answer)
    assert job["state"] == "failed" and "longer" in job["message"]
    listed = client.get("/api/repertoires").json
    assert listed is not None and listed["items"] == []
    assert next(iter_, None) is None


def test_an_upload_that_a_service_left_behind_is_taken_up(tmp_path: Path) -> None:
    app = next(iter_ := served(tmp_path, ServiceLimits()))
    parts = parts_of(app)
    parts.stopping.set()  # as when it is stopped just after it took the upload
    answer = app.test_client().post("/api/repertoires?name=X", data=ONE.encode(), content_type=PGN)
    assert answer.status_code == 202 and answer.json is not None
    left = answer.json["job"]
    assert next(iter_, None) is None
    again = next(iter_ := served(tmp_path, ServiceLimits()))
    job = finished(again.test_client(), answer)
    assert (job["id"], job["state"], job["attempts"]) == (left["id"], "done", 1)
    listed = again.test_client().get("/api/repertoires").json
    assert listed is not None
    (one,) = listed["items"]
    assert one["name"] == "X" and one["id"] == job["result"]["repertoire"]
    assert again.test_client().get(f"/api/repertoires/{one['id']}/pgn").data == ONE.encode()
    assert next(iter_, None) is None


def test_an_upload_for_a_repertoire_that_is_deleted_meanwhile_fails(tmp_path: Path) -> None:
    app = next(iter_ := served(tmp_path, ServiceLimits()))
    client = app.test_client()
    id = uploaded(client)["repertoire"]
    parts_of(app).stopping.set()
    answer = client.put(f"/api/repertoires/{id}/pgn", data=ONE.encode(), content_type=PGN)
    assert client.delete(f"/api/repertoires/{id}").status_code == 204
    assert next(iter_, None) is None
    again = next(iter_ := served(tmp_path, ServiceLimits()))
    job = finished(again.test_client(), answer)
    assert job["state"] == "failed" and "deleted" in job["message"]
    assert next(iter_, None) is None


def test_more_uploads_than_may_wait_are_refused_for_now(tmp_path: Path) -> None:
    app = next(iter_ := served(tmp_path, ServiceLimits()))
    parts_of(app).stopping.set()
    client = app.test_client()
    answers = [
        client.post("/api/repertoires", data=ONE.encode(), content_type=PGN)
        for _ in range(MOST_WAITING + 1)
    ]
    assert [answer.status_code for answer in answers] == [202] * MOST_WAITING + [429]
    assert answers[-1].headers["Retry-After"] and answers[-1].mimetype.endswith("problem+json")
    assert next(iter_, None) is None


def test_a_repertoire_is_judged_anew_with_the_model_in_use(
    app: Flask, client: FlaskClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    id = uploaded(client)["repertoire"]
    one = client.get(f"/api/repertoires/{id}").json
    assert one is not None and (one["model"], one["model_in_use"]) == ("cores", True)
    assert one["judged"] is None
    before = every_row(client, f"/api/repertoires/{id}/nodes", 1000)

    def otherwise(masks: Masks) -> Verdicts:
        found = by_cores(masks)
        carlsbad = found.names.index("carlsbad")
        family = np.where(found.family == carlsbad, np.int16(NONE), found.family)
        return replace(found, family=family)

    other = SimpleNamespace(classify=otherwise, digest="other", catalogue=shipped_catalogue())
    monkeypatch.setattr(parts_of(app).model, "now", lambda: other)
    one = client.get(f"/api/repertoires/{id}").json
    assert one is not None and (one["model"], one["model_in_use"]) == ("cores", False)
    job = finished(client, client.post(f"/api/repertoires/{id}/judge"))
    assert job["kind"] == "judging" and job["done"] == job["total"] > 0
    result = job["result"]
    moved = [row for row in before if row["structure"] == "carlsbad"]
    assert result["moved"] == len(moved) > 0
    assert (result["model"], result["model_before"]) == ("other", "cores")
    one = client.get(f"/api/repertoires/{id}").json
    assert one is not None and (one["model"], one["model_in_use"]) == ("other", True)
    assert one["judged"] is not None and one["version"] == 1
    rows = every_row(client, f"/api/repertoires/{id}/changes", 1)
    assert {row["what"] for row in rows} == {"moved"} and len(rows) == len(moved)
    assert rows[0]["structure_before"] == "carlsbad" and rows[0]["structure"] == "unsettled"
    assert rows == every_row(client, f"/api/repertoires/{id}/changes?of=judging", 100)
    assert every_row(client, f"/api/repertoires/{id}/changes?of=upload", 100) == []
    after = every_row(client, f"/api/repertoires/{id}/nodes", 1000)
    assert not [row for row in after if row["structure"] == "carlsbad"]
    assert client.get(f"/api/repertoires/{id}/pgn").data == ONE.encode()
    # Again, and nothing moves; what the upload changes is then the later one.
    job = finished(client, client.post(f"/api/repertoires/{id}/judge"))
    assert job["result"]["moved"] == 0
    assert client.get(f"/api/repertoires/{id}/changes?of=green").status_code == 400
    assert client.post("/api/repertoires/none/judge").status_code == 404
