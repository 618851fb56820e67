"""A disk that is really full and a server that is really away: 503 over HTTP, and work goes on.

`test_trouble.py` has a full disk that is simulated, where none can be mounted.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from flask.testing import FlaskClient
from postgres_server import PostgresServer
from repertoires import by_cores
from small_disk import SmallDisk, small_disk
from werkzeug.test import TestResponse

from pawnlore.service.api.repertoires_at_hand import repertoires_of
from pawnlore.service.app import create_app
from pawnlore.service.settings import Settings
from pawnlore.service.store.note_shelf import NoteShelf
from pawnlore.service.store.repertoire_shelf import RepertoireShelf
from pawnlore.service.store.store import Store, open_store
from pawnlore.structures.catalogue import shipped_catalogue

NOTE = '+++\nstructure = "carlsbad"\nholder = "white"\nside = "holder"\ntitle = "T"\n+++\nPlan.\n'
PGN = "application/vnd.chess-pgn"
BOOK = b"".join(
    b'[Event "%d"]\n\n1. d4 d5 2. c4 e6 3. Nc3 Nf6 4. cxd5 exd5 {%s} *\n\n'
    % (number, os.urandom(600).hex().encode())
    for number in range(300)
)


@contextmanager
def served(home: Path, url: str) -> Iterator[tuple[FlaskClient, Store]]:
    store = open_store(url)
    cores = SimpleNamespace(classify=by_cores, digest="cores", catalogue=shipped_catalogue())
    app = create_app(Settings(home, url), store, cores)  # type: ignore[arg-type]
    try:
        yield app.test_client(), store
    finally:
        repertoires_of(app).runner.close()
        store.close()


@pytest.fixture
def disk(
    kind: str, tmp_path: Path, server: Callable[[], PostgresServer]
) -> Iterator[tuple[SmallDisk, str]]:
    """A small disk, and the URL of a database on it."""
    with ExitStack() as stack:
        if kind == "sqlite":
            disk = stack.enter_context(small_disk(tmp_path / "disk", 6_000))
            yield disk, f"sqlite:///{disk.place / 'store.sqlite'}"
            return
        running = server()
        # A folder that the server's user can reach; its log goes elsewhere.
        place = running.folder / f"disk{running.made}"
        disk = stack.enter_context(small_disk(place, 24_000, running.owner))
        running.query(f"CREATE TABLESPACE small LOCATION '{place}/'")
        url = running.new_database()
        name = url.rpartition("/")[2]
        running.query(f"ALTER DATABASE {name} SET TABLESPACE small")
        yield disk, url
        running.query(f"DROP DATABASE {name} WITH (FORCE)")
        running.query("DROP TABLESPACE small")


def unavailable(answer: TestResponse, *words: str) -> None:
    assert answer.status_code == 503, answer.text
    assert answer.mimetype == "application/problem+json" and answer.headers["Retry-After"]
    assert all(word in answer.text for word in words), answer.text


def ended(client: FlaskClient, place: str) -> dict[str, Any]:
    ends = time.monotonic() + 60
    while True:
        answer = client.get(place)
        job = answer.json
        assert job is not None
        if answer.status_code == 200 and job["state"] in ("done", "failed"):
            return dict(job)
        assert time.monotonic() < ends, job
        time.sleep(0.05)


def test_a_disk_that_is_full_loses_nothing_and_work_goes_on(
    disk: tuple[SmallDisk, str], tmp_path: Path
) -> None:
    small, url = disk
    with served(tmp_path / "home", url) as (client, store):
        made = [
            client.post("/api/notes", json={"text": NOTE + f"Note {number}.\n"})
            for number in range(3)
        ]
        assert [answer.status_code for answer in made] == [201] * 3
        begun = client.post("/api/repertoires?name=Book", data=BOOK, content_type=PGN)
        job = ended(client, begun.headers["Location"])
        assert job["state"] == "done", job
        kept = [note.text for note in NoteShelf(store).list()]
        small.fill()
        for number in range(2_000):
            text = NOTE + f"Full {number}. " + os.urandom(4000).hex()
            answer = client.post("/api/notes", json={"text": text})
            if answer.status_code != 201:
                break
            kept.append(text)
        unavailable(answer, "no room left")
        # Nothing of what was refused is there, and all that was told to be kept is.
        assert [note.text for note in NoteShelf(store).list()] == kept
        id = made[0].json and made[0].json["id"]
        large = NOTE + "Larger. " + os.urandom(20_000).hex()
        changed = client.put(
            f"/api/notes/{id}", json={"text": large}, headers={"If-Match": made[0].headers["ETag"]}
        )
        unavailable(changed, "no room left")
        unavailable(client.post("/api/repertoires", data=BOOK, content_type=PGN), "no room left")
        # Reading needs no room.
        assert client.get("/api/notes").status_code == 200
        assert client.get(f"/api/repertoires/{job['result']['repertoire']}/pgn").data == BOOK
        small.free()
        answer = client.post("/api/notes", json={"text": text})
        assert answer.status_code == 201, answer.text
        begun = client.post("/api/repertoires?name=Again", data=BOOK, content_type=PGN)
        again = ended(client, begun.headers["Location"])
        assert again["state"] == "done", again
        assert [note.text for note in NoteShelf(store).list()] == [*kept, text]
        files = RepertoireShelf(store).files(again["result"]["repertoire"])
        assert [content for _, content in files] == [BOOK]


@pytest.mark.postgres
def test_a_server_that_is_away_is_told_and_found_again(
    server: Callable[[], PostgresServer], tmp_path: Path
) -> None:
    running = server()
    with served(tmp_path, running.new_database()) as (client, store):
        made = client.post("/api/notes", json={"text": NOTE})
        assert made.status_code == 201 and made.json is not None
        begun = client.post("/api/repertoires?name=Book", data=BOOK * 20, content_type=PGN)
        assert begun.status_code == 202
        place = begun.headers["Location"]
        # In the middle of the upload's job.
        while (found := client.get(place).json) is None or found["state"] == "waiting":
            time.sleep(0.01)
        assert found["state"] == "running"
        running.stop("immediate")
        address = f"/api/notes/{made.json['id']}"
        tag = {"If-Match": made.headers["ETag"]}
        try:
            for answer in (
                client.get("/api/notes"),
                client.get(address),
                client.put(address, json={"text": NOTE + "x"}, headers=tag),
                client.post("/api/notes", json={"text": NOTE}),
                client.post("/api/repertoires", data=BOOK, content_type=PGN),
                client.get(place),
            ):
                unavailable(answer, "does not answer")
                assert "127.0.0.1" not in answer.text and str(running.port) not in answer.text
            assert client.get("/readyz").status_code == 503
            assert client.get("/healthz").status_code == 200
        finally:
            running.start()
        assert client.get("/readyz").status_code == 200
        changed = client.put(address, json={"text": NOTE + "x"}, headers=tag)
        assert changed.status_code == 200
        job = ended(client, place)
        assert job["state"] == "done" and job["attempts"] >= 2, job
        (kept,) = RepertoireShelf(store).list()
        assert RepertoireShelf(store).files(kept.id)[0][1] == BOOK * 20
