"""Long answers: a batch is streamed through a real connection, and pages joined are the whole."""

from __future__ import annotations

import csv
import io
import json
import socket
import threading
from collections.abc import Callable, Iterator
from importlib.resources import files
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import jsonschema_rs
import pytest
from described_api import (
    FEN,
    NUMBERS,
    PGN,
    Author,
    Described,
    Things,
    bare_pawns,
    described,
    json_of,
    note,
    served,
)
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from running_services import TestService

from pawnlore.models.classifier import shipped_classifier
from pawnlore.service.settings import ServiceLimits
from pawnlore.service.web_server import WebServer

MOST = ServiceLimits().batch_rows


class CountingClassifier:
    """The shipped classifier; it waits at the last part of a batch until it is let go."""

    def __init__(self, free: int) -> None:
        self.judged = 0
        self.go = threading.Event()
        self._free = free
        self._model = shipped_classifier()

    def __getattr__(self, name: str) -> Any:
        return getattr(self._model, name)

    def classify(self, masks: Any) -> Any:
        if self.judged + len(masks) > self._free:
            assert self.go.wait(60), "nobody read the rows that were ready"
        self.judged += len(masks)
        return self._model.classify(masks)


@pytest.mark.parametrize("form", ["json", "csv", "jsonl"])
def test_rows_of_a_full_batch_arrive_before_the_last_are_judged(tmp_path: Path, form: str) -> None:
    model = CountingClassifier(free=MOST - 2_000)
    with served(tmp_path, classifier=model, port=0) as service:
        server = WebServer(service.app, service.settings, threads=2)
        thread = threading.Thread(target=server.run, daemon=True)
        address = server.addresses[0]
        thread.start()
        try:
            port = int(address.rsplit(":", 1)[1].rstrip("/"))
            body = "\n".join([FEN] * MOST).encode()
            head = (
                f"POST /api/classify?format={form} HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n"
                f"Content-Type: text/plain\r\nContent-Length: {len(body)}\r\n"
                "Connection: close\r\n\r\n"
            )
            with socket.create_connection(("127.0.0.1", port), timeout=60) as link:
                link.sendall(head.encode() + body)
                early = b""
                while early.count(b"carlsbad") < 100:
                    part = link.recv(65_536)
                    assert part, early[:500]
                    early += part
                # A hundred rows are here, and the end has not been looked at.
                assert not model.go.is_set() and model.judged < MOST
                model.go.set()
                whole = early
                while part := link.recv(65_536):
                    whole += part
        finally:
            model.go.set()
            server.stop()
            thread.join(30)
        assert model.judged == MOST
        assert whole.count(b"carlsbad") == MOST


@settings(max_examples=10, suppress_health_check=list(HealthCheck))
@given(
    fens=st.lists(st.sampled_from([FEN, "8/8/8/8/8/8/P7/8", "nonsense", "", 'a,"b\n']), max_size=30)
)
def test_every_form_of_a_batch_tells_the_same(few: TestService, fens: list[str]) -> None:
    answers = {
        form: few.client().post(f"/api/classify?format={form}", json={"fens": fens})
        for form in ("json", "csv", "jsonl")
    }
    rows = json_of(answers["json"])["items"]
    assert len(rows) == len(fens)
    assert [json.loads(line) for line in answers["jsonl"].text.splitlines()] == rows
    table = list(csv.DictReader(io.StringIO(answers["csv"].text, newline="")))
    for row, line in zip(rows, table, strict=True):
        assert others(row, line) == {}


def others(row: dict[str, Any], line: dict[str, str]) -> dict[str, Any]:
    """The cells of a line of CSV that say something else than an object of JSON does."""
    found = {}
    for name, text in line.items():
        value = row.get(name)
        if name not in row or isinstance(value, (list, dict)):
            continue  # How a list is written in one cell is the affair of each table.
        if isinstance(value, bool):
            same = text == ("yes" if value else "no")
        elif isinstance(value, float):
            # CSV rounds.
            same = float(text) == pytest.approx(value, abs=0.006)
        else:
            same = text == ("" if value is None else str(value))
        if not same:
            found[name] = (value, text)
    return found


@pytest.fixture(scope="module")
def few(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestService]:
    with served(tmp_path_factory.mktemp("few")) as service:
        yield service


@pytest.fixture(scope="module")
def filled(
    tmp_path_factory: pytest.TempPathFactory,
) -> Iterator[tuple[TestService, Author, Things]]:
    """A store with more than one page of everything that is small enough to make."""
    with served(tmp_path_factory.mktemp("filled")) as service:
        author = Author(service)
        made = author.things()
        for number in range(6):
            author.note(note(f"N{number}"))
            author.label(bare_pawns(next(NUMBERS)))
            tag = {"If-Match": "*"}
            address = f"/api/notes/{made.ids['notes']}"
            author.send("PUT", address, 200, json={"text": note(f"R{number}")}, headers=tag)
            taken_back = author.label(bare_pawns(next(NUMBERS)))
            author.send("DELETE", f"/api/labels/{taken_back}", 204, headers=tag)
        course = files("pawnlore.labelled_demo").joinpath("repertoire", "04-benonis-and-dutch.pgn")
        raw = course.read_bytes()
        id, _ = author.upload(raw, "Demo")
        # So that there is a change to list, in a second upload of less; things to
        # keep in mind, and games that cannot be read.
        again = raw.split(b"\n\n[Event")[0]
        again += b"\n\n1. d4 {Remember: no e4.} f5 {First: this.} 2. g3 $2 Nf6 3. Bg2 $7 *\n"
        again += b'\n[Event "Unread"]\n\n1. Zz9 *\n' * 3
        sent = {"data": again, "content_type": PGN}
        author.ended(author.send("PUT", f"/api/repertoires/{id}/pgn", 202, **sent))
        for _ in range(3):
            author.survey(id)
        yield service, author, Things({**made.ids, "repertoires": id})


def paged_operations() -> list[str]:
    """The ids of all operations with pages, for the names of the tests."""
    with TemporaryDirectory() as home, served(Path(home)) as service:
        return sorted(one.id for one in described(service) if one.paged)


PAGED = paged_operations()


def pages(
    author: Author, request: dict[str, Any], limits: list[int], between: Callable[[], None]
) -> list[Any] | None:
    """All rows, a page at a time; none where the table changed and the service said so."""
    rows: list[Any] = []
    query = dict(request.get("query_string", {}))
    for number in range(2_000):
        query["limit"] = limits[number % len(limits)]
        answer = author.client.open(**{**request, "query_string": query})
        if answer.status_code == 400 and "changed since" in answer.text:
            return None
        found = json_of(answer)
        assert answer.status_code == 200, found
        assert len(found["items"]) <= query["limit"]
        rows += found["items"]
        if found["next"] is None:
            return rows
        assert found["items"], "a page that is not the last has rows"
        query["cursor"] = found["next"]
        between()
    raise AssertionError("the pages do not end")


def named(service: TestService, id: str) -> Described:
    return next(one for one in described(service) if one.id == id)


@pytest.mark.parametrize("id", PAGED)
def test_pages_joined_are_the_whole_in_every_form(
    filled: tuple[TestService, Author, Things], id: str
) -> None:
    service, author, things = filled
    one = named(service, id)
    request = one.request(things)
    query = request.get("query_string", {})
    whole = [
        json.loads(line)
        for line in author.client.open(
            **{**request, "query_string": {**query, "format": "jsonl"}}
        ).text.splitlines()
    ]
    assert whole or id == "listSimilar", "an empty table proves nothing"
    step = max(1, len(whole) // 7)
    for limits in ([1000], [step], [step, 1, step + 3]):
        assert pages(author, request, limits, lambda: None) == whole
    table = author.client.open(**{**request, "query_string": {**query, "format": "csv"}}).text
    lines = list(csv.DictReader(io.StringIO(table, newline="")))
    assert len(lines) == len(whole)
    for row, line in zip(whole, lines, strict=True):
        assert others(row, line) == {}
    # Every row is as described, with the richer data of a real course.
    page = one.value["responses"]["200"]["content"]["application/json"]["schema"]
    schema = {**page, "components": one.whole["components"]}
    first = json_of(author.client.open(**request))
    jsonschema_rs.validator_for(schema).validate(first)


@pytest.mark.parametrize("added", ["notes", "labels"])
@pytest.mark.parametrize("id", PAGED)
def test_pages_while_rows_are_added(
    filled: tuple[TestService, Author, Things], id: str, added: str
) -> None:
    """Each row that was there is there once, or the service says that all is another table."""
    service, author, things = filled
    request = named(service, id).request(things)

    def add() -> None:
        if added == "labels":
            author.label(bare_pawns(next(NUMBERS)), "own/added")
            return
        # On something that the repertoire has, so that less is owed from now on.
        structure = next(structures, "own/added")
        for side in ("holder", "foe"):
            author.note(note("Added", "Text.\n", structure, side))
        address, tag = f"/api/notes/{things.ids['notes']}", {"If-Match": "*"}
        author.send("PUT", address, 200, json={"text": note("Again")}, headers=tag)

    for row in json_of(author.send("GET", "/api/notes?limit=1000", 200))["items"]:
        if row["title"] == "Added":  # by the test of another table
            author.send("DELETE", f"/api/notes/{row['id']}", 200, headers={"If-Match": "*"})
    before = pages(author, request, [1000], lambda: None)
    assert before is not None
    known = [row.get("structure") or "unsettled" for row in before]
    structures = iter([one for one in dict.fromkeys(known) if one != "unsettled"])
    turns = iter(range(4))

    def sometimes() -> None:
        if next(turns, None) is not None:
            add()

    found = pages(author, request, [max(1, len(before) // 3)], sometimes)
    if found is None:
        return
    if id == "listNotes":
        before, found = [[{"id": row["id"]} for row in rows] for rows in (before, found)]
    assert found[: len(before)] == before
    keys = [json.dumps(row, sort_keys=True) for row in found]
    if len(set(map(str, before))) == len(before):
        assert len(set(keys)) == len(keys)
