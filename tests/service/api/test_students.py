"""What a student link lets through: no trace of a label, and the notes of one repertoire."""

from __future__ import annotations

import json
import re
import time
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest
from flask.testing import FlaskClient
from running_services import TestService, bearer, make_service
from sqlalchemy import event
from werkzeug.test import TestResponse

from pawnlore.models.classifier import shipped_classifier
from pawnlore.models.sampling import game_skeletons
from pawnlore.service.access.needs import needs_of
from pawnlore.service.api.repertoires import PGN
from pawnlore.service.api.repertoires_at_hand import repertoires
from pawnlore.service.lookup import NEAR_PROBABILITY
from pawnlore.service.store.label_shelf import LabelShelf
from pawnlore.service.store.note_shelf import NoteShelf
from pawnlore.service.store.store import Store
from pawnlore.structures.skeleton import Skeleton, placement, skeleton_from_fen

EXCHANGE = "rnbqkb1r/ppp2ppp/5n2/3p4/3P4/2N5/PP2PPPP/R1BQKBNR w KQkq - 0 5"
"""After 4...exd5 below: the core of the Carlsbad structure is met once e3 is played."""

QUEENS = b"""[Event "The Exchange"]

1. d4 d5 2. c4 e6 3. Nc3 Nf6 4. cxd5 exd5 5. Bg5 Be7 6. e3 O-O 7. Bd3 Nbd7 8. Qc2 Re8 *

[Event "The Tarrasch"]

1. d4 d5 2. c4 e6 3. Nc3 c5 4. cxd5 exd5 5. Nf3 Nc6 6. g3 Nf6 7. Bg2 Be7 8. O-O O-O
9. dxc5 Bxc5 10. Bg5 d4 *
"""

KINGS = b"""[Event "The Advance"]

1. e4 e6 2. d4 d5 3. e5 c5 4. c3 Nc6 5. Nf3 Qb6 6. Be2 cxd4 7. cxd4 Nh6 8. Nc3 Nf5 *
"""


def upload(client: FlaskClient, raw: bytes) -> str:
    answer = client.post("/api/repertoires", data=raw, content_type=PGN)
    assert answer.status_code == 202, answer.text
    for _ in range(900):
        job: Any = client.get(answer.headers["Location"]).json
        if job["state"] == "done":
            return str(job["result"]["repertoire"])
        assert job["state"] != "failed", job
        time.sleep(0.02)
    raise AssertionError(f"the job does not end: {job}")


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestService]:
    made = make_service(tmp_path_factory.mktemp("students"))
    yield made
    with made.app.app_context():
        repertoires().runner.wait()
    made.store.close()


@pytest.fixture(scope="module")
def books(service: TestService) -> tuple[str, str]:
    """A repertoire with the queen's pawn, and one with the king's."""
    client = service.client()
    return upload(client, QUEENS), upload(client, KINGS)


@pytest.fixture(autouse=True)
def no_labels_and_notes(service: TestService) -> Iterator[None]:
    yield
    labels, notes = LabelShelf(service.store), NoteShelf(service.store)
    for label in labels.list():
        labels.delete(label.id)
    for one in notes.list():
        notes.delete(one.id, expected_revision=one.revision)


def note(title: str, structure: str = "carlsbad", holder: str = "white", more: str = "") -> str:
    head = f'structure = "{structure}"\nholder = "{holder}"\nside = "holder"\ntitle = "{title}"\n'
    return f"+++\n{head}{more}+++\n\nSome words.\n"


def add(service: TestService, text: str, *, published: bool = True) -> str:
    return NoteShelf(service.store).create(text, published=published).id


class Student:
    """A program that holds a student link."""

    def __init__(self, service: TestService, repertoire: str) -> None:
        self.client = service.client()
        self.headers = bearer(service.link(repertoire))

    def get(self, address: str, **query: str) -> TestResponse:
        return self.client.get(address, query_string=query or None, headers=self.headers)

    def json(self, address: str, **query: str) -> Any:
        answer = self.get(address, **query)
        assert answer.status_code == 200, answer.text
        return answer.json

    def titles(self, fen: str, **query: str) -> list[str]:
        return [one["title"] for one in self.json("/api/plans", fen=fen, **query)["notes"]]

    def listed(self) -> set[str]:
        return {one["title"] for one in self.json("/api/notes")["items"]}


# No trace of a label --------------------------------------------------------


def positions() -> dict[str, str]:
    """A position for each way in which a verdict comes about."""
    classifier = shipped_classifier()
    masks = game_skeletons().masks[:4000]
    found = classifier.classify(masks)
    near = found.second_probability >= NEAR_PROBABILITY
    unsettled = found.family < 0
    chosen = {
        "core": found.core,
        "classifier": ~unsettled & ~found.core,
        "unsettled": unsettled & ~near,
        "near": unsettled & near,
    }
    return {
        name: placement(Skeleton(*masks[int(np.flatnonzero(rows)[0])].tolist()))
        for name, rows in chosen.items()
    }


POSITIONS = positions()

BATCH = {"fens": [*POSITIONS.values(), "nonsense"]}


def seen(student: Student, book: str, note_id: str) -> dict[str, tuple[int, str, bytes]]:
    """Everything that a student can read: status, headers and bytes of every answer."""
    addresses = [
        *(f"/api/classify?fen={fen}" for fen in POSITIONS.values()),
        *(f"/api/plans?fen={fen}" for fen in POSITIONS.values()),
        *(f"/api/classify?explain=true&fen={fen}" for fen in POSITIONS.values()),
        "/api/openapi.json",
        "/api/structures",
        "/api/structures/carlsbad",
        "/api/notes",
        f"/api/notes/{note_id}",
        "/api/model",
        "/api/labels",
        "/api/former-labels",
        f"/api/repertoires/{book}",
        *(f"/look-up?fen={fen}" for fen in POSITIONS.values()),
        f"/look-up?fen={EXCHANGE}&moves=Bg5 Be7 e3",
        f"/repertoires/{book}",
        *(f"/repertoires/{book}/nodes/{node}" for node in range(5, 36, 3)),
        "/structures/carlsbad",
        *(
            f"/api/repertoires/{book}/{table}?{form}"
            for table in ("groups", "lines", "nodes", "owed", "tagged.pgn")
            for form in ("limit=1", "limit=1000", "format=csv", "format=jsonl")
        ),
    ]
    answers = {address: student.get(address) for address in addresses}
    for form in ("json", "csv", "jsonl"):
        answers[f"batch as {form}"] = student.client.post(
            f"/api/classify?format={form}", json=BATCH, headers=student.headers
        )
    return {
        address: (
            answer.status_code,
            re.sub(r"\nDate: .*", "", str(answer.headers)),
            re.sub(rb"urn:uuid:[0-9a-f-]+", b"", answer.data),
        )
        for address, answer in answers.items()
    }


def test_a_label_that_changes_no_verdict_changes_no_byte(
    service: TestService, books: tuple[str, str]
) -> None:
    student, book = Student(service, books[0]), books[0]
    shown = add(service, note("Minority attack"))
    before = seen(student, book, shown)
    shelf, author = LabelShelf(service.store), service.client()
    labelled = [*POSITIONS.values(), EXCHANGE, EXCHANGE.replace("PP2PPPP", "PP3PPP")]
    for fen in labelled:
        found: Any = author.get("/api/classify", query_string={"fen": fen}).json
        shelf.put(skeleton_from_fen(fen), found["structure"], found["holder"], reason="mine")
        # For the author it does decide, so the comparison is one.
        own: Any = author.get("/api/classify", query_string={"fen": fen}).json
        assert (own["decided_by"], own["probability"]) == ("label", 1.0)
    after = seen(student, book, shown)
    pages = {at: one for at, one in after.items() if not at.startswith(("/api", "batch"))}
    assert [at for at, (status, _, _) in pages.items() if status != 200] == []
    for address, answer in before.items():
        assert after[address] == answer, address


@pytest.mark.parametrize("name", POSITIONS)
def test_a_label_shows_in_the_verdict_alone(
    service: TestService, books: tuple[str, str], name: str
) -> None:
    student, fen = Student(service, books[0]), POSITIONS[name]
    LabelShelf(service.store).put(skeleton_from_fen(fen), "hedgehog", "black")
    other = "8/pp3ppp/4p3/8/3P4/8/PP3PPP/8"  # nobody labelled this one
    for address in ("/api/classify", "/api/plans"):
        labelled, plain = student.json(address, fen=fen), student.json(address, fen=other)
        assert keys(labelled) == keys(plain)
    assert student.json("/api/classify", fen=fen) == {
        "fen": fen,
        "structure": "hedgehog",
        "holder": "black",
    }
    # What is said of the structure is what is said wherever it stands.
    found = student.json("/api/plans", fen=fen)
    assert found["verdict"] == {"structure": "hedgehog", "holder": "black"}
    assert [best["kind"] for best in found["next_best"]] == ["catalogue", "catalogue"]


def test_a_position_that_is_labelled_unsettled_looks_like_any_other(
    service: TestService, books: tuple[str, str]
) -> None:
    student = Student(service, books[0])
    LabelShelf(service.store).put(skeleton_from_fen(POSITIONS["classifier"]), "unsettled", "both")
    found = student.json("/api/plans", fen=POSITIONS["classifier"])
    near = student.json("/api/plans", fen=POSITIONS["near"])
    assert found["verdict"] == near["verdict"] == {"structure": "unsettled", "holder": "both"}
    assert keys(found) == keys(near)
    assert {best["kind"] for best in found["next_best"]} == {"near"}
    assert "label" not in json.dumps(found)


def keys(value: Any, place: str = "") -> set[str]:
    """The names of all fields of a value, however deep."""
    if isinstance(value, dict):
        return {f"{place}.{name}" for name in value} | {
            key for name, part in value.items() for key in keys(part, f"{place}.{name}")
        }
    if isinstance(value, list):
        return {key for part in value for key in keys(part, f"{place}[]")}
    return set()


def test_lookup_and_groups_agree_about_what_is_labelled(
    service: TestService, books: tuple[str, str]
) -> None:
    student = Student(service, books[0])
    end = "r1bqrnk1/pp2bppp/2p2n2/3p2B1/3P4/2NBPN2/PPQ2PPP/R4RK1 w - - 6 11"
    pawns = "rnbq1rk1/ppp1bppp/5n2/3p2B1/3P4/2N1P3/PP3PPP/R2QKBNR w KQ - 1 7"
    for fen in (end, pawns):
        LabelShelf(service.store).put(skeleton_from_fen(fen), "own/minority", "white")
    groups = student.json(f"/api/repertoires/{books[0]}/groups")["items"]
    assert "own/minority" in {group["structure"] for group in groups}
    assert student.json("/api/classify", fen=pawns)["structure"] == "own/minority"
    # And a note on it belongs to this repertoire from now on, and to no other.
    add(service, note("Ours", "own/minority"))
    assert student.titles(pawns) == ["Ours"]
    assert student.listed() == {"Ours"}
    assert Student(service, books[1]).listed() == set()


def test_the_authors_groups_say_how_sure_and_the_students_do_not(
    service: TestService, books: tuple[str, str]
) -> None:
    student, author = Student(service, books[0]), service.client()
    address = f"/api/repertoires/{books[0]}/groups"
    told: Any = author.get(address).json
    shown = student.json(address)
    kept_back = {"probability", "finer"}
    assert all(kept_back <= group.keys() for group in told["items"])
    assert shown["items"] == [
        {name: value for name, value in group.items() if name not in kept_back}
        for group in told["items"]
    ]
    first = author.get(f"{address}?format=csv").text.splitlines()[0].split(",")
    assert kept_back <= set(first)
    first = student.get(f"{address}?format=csv").text.splitlines()[0].split(",")
    assert not kept_back & set(first)


def test_every_view_of_the_api_for_students_is_looked_at_here(service: TestService) -> None:
    app = service.app
    open_to_students = {
        rule.rule
        for rule in app.url_map.iter_rules()
        for method in (rule.methods or set()) - {"HEAD", "OPTIONS"}
        if rule.rule.startswith("/api/")
        and needs_of(app.view_functions[rule.endpoint], method).students
    }
    # A view that comes new must be added to `seen` above, if it tells anything of verdicts.
    no_verdicts = {
        "/api/diagram.svg",
        "/api/positions",
        "/api/repertoires/<id>/positions",
    }
    assert open_to_students - no_verdicts <= {
        "/api/classify",
        "/api/plans",
        "/api/structures",
        "/api/structures/<id>",
        "/api/notes",
        "/api/notes/<id>",
        "/api/openapi.json",
        "/api/repertoires/<id>",
        "/api/repertoires/<id>/groups",
        "/api/repertoires/<id>/lines",
    }


# The notes of one repertoire ------------------------------------------------


def test_a_student_reads_the_notes_on_what_the_repertoire_teaches(
    service: TestService, books: tuple[str, str]
) -> None:
    white = "8/pp3ppp/2p5/3p4/3P4/4P3/PP3PPP/8"
    shown = {
        "Ours": add(service, note("Ours")),
        "Anybody's": add(service, note("Anybody's", holder="any")),
        "In the chapter": add(service, note("In the chapter", more='chapter = "The  Exchange"\n')),
        "When there": add(
            service, note("When there", more='when = { chapter = "The Exchange" }\n')
        ),
    }
    hidden = {
        "Reversed": add(service, note("Reversed", holder="black")),
        "Elsewhere": add(service, note("Elsewhere", "kings-indian-chain")),
        "Another chapter": add(service, note("Another chapter", more='chapter = "The Advance"\n')),
        "When away": add(service, note("When away", more='when = { chapter = "The Advance" }\n')),
        "Draft": add(service, note("Draft"), published=False),
    }
    student = Student(service, books[0])
    assert student.listed() == set(shown)
    for id in shown.values():
        assert student.json(f"/api/notes/{id}")["id"] == id
    for id in hidden.values():
        assert student.get(f"/api/notes/{id}").status_code == 404
    assert set(student.titles(white)) == {"Ours", "Anybody's", "In the chapter"}
    assert "When there" in student.titles(white, chapter="The Exchange")
    assert "When away" not in student.titles(white, chapter="The Advance")
    for form in ("csv", "jsonl"):
        text = student.get(f"/api/notes?format={form}").text
        assert all(title in text for title in shown)
        assert not any(title in text for title in hidden)
    # The same position, asked for behind the other link, has no plan of the author's.
    found = Student(service, books[1]).json("/api/plans", fen=white)
    assert found["notes"] == []
    assert {best["kind"] for best in found["next_best"]} == {"catalogue"}
    # Colours reversed, the note would be the next best: for the author, and for no student.
    mirrored = "8/pp3ppp/4p3/3p4/3P4/2P5/PP3PPP/8"
    author: Any = service.client().get("/api/plans", query_string={"fen": mirrored}).json
    assert [one["title"] for one in author["notes"]][:1] == ["Reversed"]
    assert student.titles(mirrored) == ["Anybody's"]


def test_a_student_is_told_neither_whose_token_wrote_a_note_nor_that_one_was_deleted(
    service: TestService, books: tuple[str, str]
) -> None:
    client, headers = service.client(), bearer(service.token())
    made = client.post("/api/notes", json={"text": note("Ours")}, headers=headers)
    gone = client.post("/api/notes", json={"text": note("Gone")}, headers=headers)
    tag = {**headers, "If-Match": gone.headers["ETag"]}
    assert client.delete(gone.headers["Location"], headers=tag).status_code == 200
    student = Student(service, books[0])
    assert made.json and made.json["author"] == "laptop"
    assert student.json(made.headers["Location"])["author"] == ""
    for form in ("json", "csv", "jsonl"):
        assert "laptop" not in student.get(f"/api/notes?format={form}").text
    deleted: Any = student.get(gone.headers["Location"]).json
    never: Any = student.get("/api/notes/zzzzzzzzzzzz").json
    assert (deleted["status"], deleted["detail"]) == (never["status"], never["detail"])


def test_pages_of_notes_are_whole_though_some_are_left_out(
    service: TestService, books: tuple[str, str]
) -> None:
    for number in range(7):
        add(service, note(f"Plan {number}"))
        add(service, note(f"Away {number}", "kings-indian-chain"))
    student, found, cursor = Student(service, books[0]), [], None
    for _ in range(4):
        query = {"limit": "2", **({"cursor": cursor} if cursor else {})}
        page = student.json("/api/notes", **query)
        found.append([one["title"] for one in page["items"]])
        cursor = page["next"]
    assert found == [["Plan 0", "Plan 1"], ["Plan 2", "Plan 3"], ["Plan 4", "Plan 5"], ["Plan 6"]]
    assert cursor is None
    assert student.json("/api/notes", q="away")["items"] == []


def test_what_belongs_follows_a_new_upload(service: TestService) -> None:
    client = service.client()
    book = upload(client, KINGS)
    add(service, note("Ours"))
    student = Student(service, book)
    assert student.listed() == set()
    answer = client.put(f"/api/repertoires/{book}/pgn", data=QUEENS, content_type=PGN)
    for _ in range(900):
        job: Any = client.get(answer.headers["Location"]).json
        if job["state"] == "done":
            break
        time.sleep(0.02)
    assert student.listed() == {"Ours"}
    client.delete(f"/api/repertoires/{book}")
    # The link went with it.
    assert student.get("/api/notes").status_code == 401


def test_a_lookup_asks_the_store_little_whatever_there_is(
    service: TestService, books: tuple[str, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    for number in range(60):
        add(service, note(f"Plan {number}", ("carlsbad", "kings-indian-chain")[number % 2]))
    student = Student(service, books[0])
    asked: list[str] = []
    counters = Store.counters

    def counted(self: Store) -> dict[str, int]:
        asked.append("counters")
        return counters(self)

    monkeypatch.setattr(Store, "counters", counted)

    def executed(*args: Any) -> None:
        if str(args[2]).startswith("SELECT"):
            asked.append(str(args[2]))

    engine = service.store.engine
    student.titles(EXCHANGE)
    event.listen(engine, "before_cursor_execute", executed)
    try:
        asked.clear()
        student.titles(POSITIONS["core"])
        assert len(asked) <= 6, asked
        asked.clear()
        student.listed()
        assert len(asked) <= 6, asked
    finally:
        event.remove(engine, "before_cursor_execute", executed)


def test_pages_of_notes_hold_to_the_repertoire_too(
    service: TestService, books: tuple[str, str]
) -> None:
    ours = add(service, note("Minority attack"))
    away = add(service, note("Chain attack", "kings-indian-chain"))
    draft = add(service, note("Unripe"), published=False)
    student, other = Student(service, books[0]), Student(service, books[1])
    listed = student.get("/notes").text
    assert "Minority attack" in listed
    assert "Chain attack" not in listed
    assert "kings-indian-chain" not in listed
    assert "Unripe" not in listed
    assert student.get(f"/notes/{ours}").status_code == 200
    for reader, id in ((student, away), (student, draft), (other, ours)):
        assert reader.get(f"/notes/{id}").status_code == 404
    assert "Minority attack" not in other.get("/notes").text
    assert "Minority attack" in student.get("/structures/carlsbad").text
    assert "Minority attack" not in other.get("/structures/carlsbad").text
    assert "Minority attack" in student.get(f"/look-up?fen={EXCHANGE}&moves=Bg5 Be7 e3").text
    assert "Minority attack" not in other.get(f"/look-up?fen={EXCHANGE}&moves=Bg5 Be7 e3").text
    groups = f"/repertoires/{books[0]}/groups/carlsbad/white"
    assert "Minority attack" in student.get(groups).text
