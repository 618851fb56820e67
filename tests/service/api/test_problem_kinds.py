"""Every kind of problem, and every status that an operation can refuse with, met over HTTP."""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from described_api import GAME, PGN, Author, described, json_of, keeps_its_word, note, served
from running_services import TestService, bearer
from werkzeug.test import TestResponse

from pawnlore.models.classifier import shipped_classifier
from pawnlore.service.api.openapi import document
from pawnlore.service.api.problems import KINDS
from pawnlore.service.settings import ServiceLimits

LIMITS = ServiceLimits(body_bytes=5_000, pgn_bytes=20_000, batch_rows=5)

ELSEWHERE = {"form"}
"""Kinds that no operation of the API brings about: they are about pages, and tested there."""


class HeldClassifier:
    """The shipped classifier, which waits until it is let go."""

    def __init__(self) -> None:
        self.go = threading.Event()
        self._model = shipped_classifier()

    def __getattr__(self, name: str) -> Any:
        return getattr(self._model, name)

    def classify(self, masks: Any) -> Any:
        assert self.go.wait(60)
        return self._model.classify(masks)


def kinds_of(answer: TestResponse, status: int, kind: str | None) -> Any:
    """The problem document, which must be of this status and kind."""
    assert answer.status_code == status, answer.get_data(as_text=True)
    found = json_of(answer)
    assert found["type"] == (f"/problems/{kind}" if kind else "about:blank")
    if kind:
        assert found["title"] == KINDS[kind][0]
    return found


Case = Callable[[TestService, Author], tuple[TestResponse, int, str | None]]


def _stale(service: TestService, author: Author) -> tuple[TestResponse, int, str]:
    id = author.note()
    first = {"If-Match": '"r1"', **author.headers}
    for _ in range(2):
        answer = author.client.put(f"/api/notes/{id}", json={"text": note()}, headers=first)
    return answer, 412, "stale"


def _too_many_uploads(service: TestService, author: Author) -> tuple[TestResponse, int, str]:
    for _ in range(30):
        answer = author.client.post(
            "/api/repertoires", data=GAME, content_type=PGN, headers=author.headers
        )
        if answer.status_code != 202:
            break
    assert int(answer.headers["Retry-After"]) > 0
    return answer, 429, "too-large"


def _no_store(service: TestService, author: Author) -> tuple[TestResponse, int, str]:
    headers = author.headers
    service.store.engine.dispose()
    database = Path(service.settings.database.removeprefix("sqlite:///"))
    kept = database.with_suffix(".gone")
    for path in database.parent.glob(f"{database.name}*"):
        path.rename(kept) if path == database else path.unlink()
    database.mkdir()
    try:
        answer = service.client().get("/api/notes", headers=headers)
    finally:
        service.store.engine.dispose()
        database.rmdir()
        kept.rename(database)
    assert int(answer.headers["Retry-After"]) > 0
    return answer, 503, "store"


def _get(path: str, status: int, kind: str | None, **headers: str) -> Case:
    def case(service: TestService, author: Author) -> tuple[TestResponse, int, str | None]:
        answer = author.client.get(path, headers={**author.headers, **headers})
        return answer, status, kind

    return case


def _post(path: str, status: int, kind: str | None, **sent: Any) -> Case:
    def case(service: TestService, author: Author) -> tuple[TestResponse, int, str | None]:
        headers = {**author.headers, **sent.get("headers", {})}
        rest = {name: value for name, value in sent.items() if name != "headers"}
        return author.client.post(path, headers=headers, **rest), status, kind

    return case


def _twice(service: TestService, author: Author) -> tuple[TestResponse, int, None]:
    author.label()
    answer = author.client.post(
        "/api/labels",
        json={"fen": "8/8/8/8/8/8/P7/8", "structure": "own/x", "holder": "both"},
        headers=author.headers,
    )
    assert answer.status_code == 201
    sent = {"fen": "8/p7/8/8/8/8/8/8", "structure": "own/y", "holder": "both"}
    again = author.client.post("/api/labels", json=sent, headers=author.headers)
    assert again.headers["Location"] == answer.headers["Location"]
    return again, 409, None


CASES: dict[str, Case] = {
    "invalid": _get("/api/notes?limit=0", 400, "invalid"),
    "invalid content": _post("/api/notes", 422, "invalid", json={"text": "no note"}),
    "too-large": _post("/api/notes", 413, "too-large", json={"text": "x" * 6_000}),
    "too-large count": _post("/api/classify", 413, "too-large", json={"fens": ["8/8"] * 6}),
    "too-large depth": _post(
        "/api/classify", 413, "too-large", data="[" * 50, content_type="application/json"
    ),
    "too-large pgn": _post(
        "/api/repertoires", 413, "too-large", data="x" * 20_001, content_type=PGN
    ),
    "too many uploads": _too_many_uploads,
    "stale": _stale,
    "precondition-required": lambda service, author: (
        author.client.delete(f"/api/notes/{author.note()}", headers=author.headers),
        428,
        "precondition-required",
    ),
    "not-signed-in": _get("/api/notes", 401, "not-signed-in", Authorization="Bearer plt_x"),
    "not-allowed": lambda service, author: (
        author.client.post(
            "/api/notes", json={"text": note()}, headers=bearer(service.token("read", "reader"))
        ),
        403,
        "not-allowed",
    ),
    "wrong-host": _get("/api/notes", 421, "wrong-host", Host="elsewhere.example"),
    "other-site": _post(
        "/api/notes",
        403,
        "other-site",
        json={"text": note()},
        headers={"Origin": "https://elsewhere.example", "Sec-Fetch-Site": "cross-site"},
    ),
    "store": _no_store,
    "nothing there": _get("/api/notes/x", 404, None),
    "no such address": _get("/api/nothing", 404, None),
    "method": _post("/api/model", 405, None, json={}),
    "none acceptable": _get("/api/model", 406, None, Accept="image/png"),
    "taken already": _twice,
    "media type": _post("/api/notes", 415, None, data="x", content_type="text/plain"),
    "content coding": _post(
        "/api/notes", 415, None, json={"text": note()}, headers={"Content-Encoding": "gzip"}
    ),
}
"""What brings each kind about; a name begins with its kind, where it has one."""

RAW = {408}
"""Statuses that only bytes on a connection bring about: ``test_serve.py`` and its like."""


def test_every_kind_is_met() -> None:
    assert {name.split()[0] for name in CASES} >= set(KINDS) - ELSEWHERE


@pytest.mark.parametrize("name", CASES)
def test_the_kind_is_told_as_described(tmp_path: Path, name: str) -> None:
    held = HeldClassifier()
    if name != "too many uploads":
        held.go.set()
    with served(tmp_path, sign_in=True, limits=LIMITS, classifier=held) as service:
        try:
            answer, status, kind = CASES[name](service, Author(service))
        finally:
            held.go.set()
        kinds_of(answer, status, kind)
        assert str(tmp_path) not in answer.get_data(as_text=True)
        if status != 503:
            keeps_its_word(answer, document(service.app))
        met.add(status)


met: set[int] = set()


def test_every_status_that_is_described_was_met(tmp_path: Path) -> None:
    if len(met) < 5:
        pytest.skip("the other tests of this file have not run")
    with served(tmp_path) as service:
        told = {int(status) for one in described(service) for status in one.value["responses"]}
    assert {status for status in told if status >= 400} <= met | RAW
