"""Repertoires over HTTP: what a student may see, hostile uploads, and an end in the middle."""

from __future__ import annotations

import io
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from flask.testing import FlaskClient
from hypothesis import given, settings
from hypothesis import strategies as st
from running_services import TestService, bearer, make_service

from pawnlore.service.api.repertoires_at_hand import repertoires
from pawnlore.service.running import parts_of
from pawnlore.service.settings import ServiceLimits

PGN = "application/vnd.chess-pgn"
ONE = b'[Event "One"]\n\n1. d4 d5 2. c4 e6 3. Nc3 Nf6 4. cxd5 exd5 5. Bg5 Be7 6. e3 c6 *\n'

OPEN = ("", "/groups", "/lines")
"""What a student link opens, below its repertoire."""
CLOSED = (
    "/nodes",
    "/owed",
    "/load",
    "/move-orders",
    "/reminders",
    "/changes",
    "/problems",
    "/pgn",
    "/tagged.pgn",
    "/split.zip",
    "/booklet.html",
    "/breaks?fen=8/8/4p3/3p4/3P4/8/8/8",
    "/similar?fen=8/8/4p3/3p4/3P4/8/8/8",
)


def ended(service: TestService) -> Iterator[TestService]:
    yield service
    with service.app.app_context():
        repertoires().runner.wait()
    service.store.close()


@pytest.fixture
def public(tmp_path: Path) -> Iterator[TestService]:
    yield from ended(make_service(tmp_path, sign_in=True))


@pytest.fixture(scope="module")
def lasting(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestService]:
    limits = ServiceLimits(pgn_bytes=100_000, nodes=2_000)
    yield from ended(make_service(tmp_path_factory.mktemp("hostile"), limits=limits))


def upload(client: FlaskClient, raw: bytes, **headers: str) -> dict[str, Any]:
    """Upload, and give back the job when it has ended."""
    answer = client.post("/api/repertoires", data=raw, content_type=PGN, headers=headers)
    assert answer.status_code == 202, answer.text
    for _ in range(900):
        job = client.get(answer.headers["Location"], headers=headers).json
        assert job is not None
        if job["state"] in ("done", "failed"):
            return dict(job)
        time.sleep(0.02)
    raise AssertionError(f"the job does not end: {job}")


def test_a_student_sees_groups_and_nothing_that_is_owed_or_drafted(public: TestService) -> None:
    client, author = public.client(), bearer(public.token())
    one = upload(client, ONE, **author)["result"]["repertoire"]
    other = upload(client, ONE, **author)["result"]["repertoire"]
    student = bearer(public.link(one))
    for part in OPEN:
        assert client.get(f"/api/repertoires/{one}{part}", headers=student).status_code == 200
        assert client.get(f"/api/repertoires/{other}{part}", headers=student).status_code == 404
    for part in CLOSED:
        assert client.get(f"/api/repertoires/{one}{part}", headers=author).status_code == 200
        assert client.get(f"/api/repertoires/{one}{part}", headers=student).status_code == 403
    for address in ("/api/repertoires", "/api/jobs"):
        assert client.get(address, headers=student).status_code == 403
    for method, address in (
        ("POST", "/api/repertoires"),
        ("PUT", f"/api/repertoires/{one}/pgn"),
        ("PATCH", f"/api/repertoires/{one}"),
        ("DELETE", f"/api/repertoires/{one}"),
    ):
        sent = {"data": ONE, "content_type": PGN}
        assert client.open(address, method=method, headers=student, **sent).status_code == 403
        reader = bearer(public.token("read", f"reader {method}"))
        assert client.open(address, method=method, headers=reader, **sent).status_code == 403
        assert client.open(address, method=method, **sent).status_code == 401


HOSTILE = st.one_of(
    st.binary(max_size=2000),
    st.text(max_size=500).map(lambda text: text.encode("utf-8", "replace")),
    st.sampled_from(
        (
            b"(" * 30_000,
            b"1. d4 " + b"(1. e4 " * 2_000,
            b"{" * 50_000,
            b"1. d4 {" + b"}" * 50_000,
            b"[Event " * 5_000,
            b'[Event "' + b"x" * 60_000 + b'"]\n\n1. d4 *\n',
            b'[FEN "' + b"8/" * 20_000 + b'"]\n\n1. d4 *\n',
            b"1. d4 $" + b"9" * 50_000 + b" *",
            b'[Event "a\0b"]\n\n1. d4 *\n',
            '[Event "\u202e<script>"]\n\n1. d4 {\u2066 ]]>} *\n'.encode(),
            b'[Event "=cmd|x"]\n\n1. Nf3 Nf6 2. Ng1 Ng8 ' + b"3. Nf3 Nf6 4. Ng1 Ng8 " * 900,
            b"PK\x03\x04" + b"\0" * 5_000,
            b"\xff\xfe" + "1. d4 d5 *".encode("utf-16-le"),
        )
    ),
)


@settings(max_examples=40)
@given(raw=HOSTILE)
def test_hostile_pgn_is_kept_byte_for_byte_or_refused(lasting: TestService, raw: bytes) -> None:
    client = lasting.client()
    job = upload(client, raw)
    assert "inside the service" not in job["message"]
    if job["state"] == "failed":
        assert job["message"]
        return
    address = f"/api/repertoires/{job['result']['repertoire']}"
    assert client.get(f"{address}/pgn").data == raw
    for part in (*OPEN, *CLOSED):
        answer = client.get(address + part)
        assert answer.status_code == 200, (part, answer.text)
    assert client.delete(address).status_code == 204


@settings(max_examples=40)
@given(name=st.text(max_size=60), file=st.text(max_size=60))
def test_hostile_names(lasting: TestService, name: str, file: str) -> None:
    client = lasting.client()
    for send in (
        {"query_string": {"name": name, "file": file}, "data": ONE, "content_type": PGN},
        {"query_string": {"name": name}, "data": {"pgn": (io.BytesIO(ONE), file or "x")}},
    ):
        answer = client.post("/api/repertoires", **send)  # type: ignore[arg-type]
        assert answer.status_code in (202, 400, 422, 429), answer.text
        if answer.status_code == 202:
            for _ in range(900):
                job = client.get(answer.headers["Location"]).json
                assert job is not None and "inside the service" not in job["message"]
                if job["state"] in ("done", "failed"):
                    break
                time.sleep(0.01)
            if job["state"] == "done":
                back = client.get(f"/api/repertoires/{job['result']['repertoire']}/pgn")
                assert back.status_code == 200 and back.data == ONE
                assert "\n" not in back.headers["Content-Disposition"]


def test_an_upload_to_a_service_that_stops_is_kept_for_the_next_one(tmp_path: Path) -> None:
    stopping = make_service(tmp_path)
    parts_of(stopping.app).stopping.set()
    client = stopping.client()
    begun = client.post("/api/repertoires", data=ONE, content_type=PGN)
    assert begun.status_code == 202, begun.text
    with stopping.app.app_context():
        repertoires().runner.wait()
    job: Any = client.get(begun.headers["Location"]).json
    assert job["state"] == "waiting"
    listed: Any = client.get("/api/repertoires").json
    assert listed["items"] == []
    stopping.store.close()
    following = make_service(tmp_path)
    for _ in ended(following):
        with following.app.app_context():
            repertoires().runner.resume()
        client = following.client()
        for _ in range(900):
            job = client.get(begun.headers["Location"]).json
            if job["state"] in ("done", "failed"):
                break
            time.sleep(0.02)
        assert job["state"] == "done", job
