"""What is owed, move orders, reminders and load as pages: rights, links, filters, size."""

from __future__ import annotations

import io
import re
import sys
from collections.abc import Iterator
from html import unescape
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit

import chess
import pytest
from flask.testing import FlaskClient
from running_services import TestService, bearer, make_service
from sqlalchemy import event

from pawnlore import labelled_demo
from pawnlore.service.api.lookups import lookups
from pawnlore.service.api.repertoires_at_hand import repertoires
from pawnlore.service.notes_folder import read_notes_folder
from pawnlore.service.pages.debt_rows import WHY, debts_of, weighs
from pawnlore.service.pages.load_rows import CHOICES, TYPES, load_page
from pawnlore.service.pages.reminder_rows import KINDS, order_page, reminder_page
from pawnlore.service.store.note_shelf import NoteShelf
from pawnlore.structures.debt import NO_NOTE, SEVERITY, STOPS_SHORT
from pawnlore.structures.load import LoadCounter

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))

from generated_repertoire import write_repertoire

DEMO = Path(labelled_demo.__file__).parent
HTML = {"Accept": "text/html"}
PAGES = ("owed", "move-order", "reminders", "load", "load?kind=types", "load?kind=choices")
MOST_BYTES = 100_000
MOST_STATEMENTS = 12


def upload(service: TestService, *files: tuple[str, bytes], side: str = "") -> str:
    parts = [(io.BytesIO(content), name) for name, content in files]
    address = (
        f"/api/repertoires?name=Course&side={side}" if side else "/api/repertoires?name=Course"
    )
    answer = service.client().post(address, data={"pgn": parts})
    assert answer.status_code == 202, answer.text
    with service.app.app_context():
        repertoires().runner.wait()
    job: Any = service.client().get(answer.headers["Location"]).json
    assert job["state"] == "done", job
    return str(job["result"]["repertoire"])


def ended(service: TestService) -> Iterator[TestService]:
    yield service
    with service.app.app_context():
        repertoires().runner.wait()
    service.store.close()


@pytest.fixture(scope="module")
def course(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestService]:
    yield from ended(make_service(tmp_path_factory.mktemp("lists")))


@pytest.fixture(scope="module")
def demo(course: TestService) -> str:
    found = read_notes_folder(DEMO / "notes")
    NoteShelf(course.store).take_in(found.notes, author="Ysolde Marrekin")
    files = sorted((DEMO / "repertoire").glob("*.pgn"))
    return upload(course, *[(path.name, path.read_bytes()) for path in files])


def read(client: FlaskClient, address: str, **headers: str) -> str:
    answer = client.get(address, headers={**HTML, **headers})
    assert answer.status_code == 200, (address, answer.text[-500:])
    return answer.text


def links(page: str) -> list[str]:
    return [unescape(href) for href in re.findall(r'href="([^"]+)"', page)]


def words(page: str) -> str:
    main = page.split("<main", 1)[1].split("</main>")[0]
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", main)).split())


def test_authors_read_the_lists_and_students_do_not(course: TestService, demo: str) -> None:
    client = course.client()
    student, reader = bearer(course.link(demo)), bearer(course.token("read", "reader"))
    for name in PAGES:
        address = f"/repertoires/{demo}/{name}"
        assert "<h1>" in read(client, address)
        assert client.get(address, headers={**HTML, **student}).status_code == 403
        # Who only reads is not led to where one writes.
        page = read(client, address, **reader)
        assert not [href for href in links(page) if "/notes/new" in href or "/edit" in href]
    assert client.get("/repertoires/nothing/owed", headers=HTML).status_code == 404


def test_every_link_of_every_list_leads_somewhere(course: TestService, demo: str) -> None:
    client = course.client()
    seen: set[str] = set()
    for name in PAGES:
        page = read(client, f"/repertoires/{demo}/{name}")
        seen |= {href for href in links(page) if re.match("/(?!static|api)", href)}
    assert len(seen) > 60
    for href in sorted(seen):
        assert client.get(href, headers=HTML).status_code == 200, href


def test_every_debt_is_one_click_from_the_place_to_act(course: TestService, demo: str) -> None:
    client = course.client()
    page = read(client, f"/repertoires/{demo}/owed")
    rows = page.split('<li class="work">')[1:]
    listed: Any = client.get(f"/api/repertoires/{demo}/owed?limit=1000").json
    debts = listed["items"]
    assert len(rows) == min(30, len(debts))
    for row, debt in zip(rows, debts, strict=False):
        acts = links(row.split('class="work-acts"')[1].split("</p>")[0])
        told = words(f"<main>{row}</main>")
        assert acts, told
        assert debt["what"] in told
        assert f"Weight {debt['weight']:,}: " in told
        if debt["kind"] == NO_NOTE and debt["closes"].startswith("Write a note"):
            asked = parse_qs(urlsplit(acts[0]).query)
            assert urlsplit(acts[0]).path == "/notes/new"
            assert asked["structure"] == [debt["structure"]]
            board = chess.Board(asked["fen"][0])
            # The board is the position in which the structure first settles.
            replayed = chess.Board()
            for move in re.sub(r"\d+\.(\.\.)?", " ", debt["moves"]).split():
                replayed.push_san(move)
            assert board.fen() == replayed.fen()
        elif debt["kind"] == STOPS_SHORT:
            # The first click shows the line that goes on, beyond where this one stops.
            first, second = (int(act.rsplit("/", 1)[1]) for act in acts)
            with course.app.app_context():
                book = repertoires().desk.open(demo).work.book
            assert book.positions is not None
            assert book.positions[first] == book.positions[second]
            assert list(book.children(first))
            assert not list(book.children(second))
        else:
            assert all("/nodes/" in act or act.endswith("/edit") for act in acts)


def test_weights_are_told_in_words(course: TestService, demo: str) -> None:
    with course.app.app_context():
        work, index = repertoires().desk.open(demo).work, lookups().notes()
        for debt in debts_of(work, index):
            told = weighs(debt)
            assert WHY[debt.kind] in told
            if debt.lines:
                assert debt.weight == debt.lines * SEVERITY[debt.kind]
                assert f"times {SEVERITY[debt.kind]}" in told
        # Asked for again it is the same list, until a note is another.
        assert debts_of(work, lookups().notes()) is debts_of(work, lookups().notes())


def test_a_note_that_is_written_is_owed_no_more(course: TestService, demo: str) -> None:
    client = course.client()
    page = read(client, f"/repertoires/{demo}/owed?kind={NO_NOTE}")
    new = next(href for href in links(page) if href.startswith("/notes/new"))
    asked = {name: values[0] for name, values in parse_qs(urlsplit(new).query).items()}
    head = "".join(f'{name} = "{asked[name]}"\n' for name in ("structure", "holder", "side"))
    shelf = NoteShelf(course.store)
    one = shelf.create(f'+++\n{head}title = "New"\n+++\n\nWords.\n')
    try:
        again = read(client, f"/repertoires/{demo}/owed?kind={NO_NOTE}")
        assert new not in links(again)
    finally:
        shelf.delete(one.id, expected_revision=one.revision)


def test_lists_are_filtered_by_kind_and_chapter(course: TestService, demo: str) -> None:
    client = course.client()
    listed: Any = client.get(f"/api/repertoires/{demo}/owed?limit=1000").json
    debts = listed["items"]
    for kind in {debt["kind"] for debt in debts}:
        page = read(client, f"/repertoires/{demo}/owed?kind={kind}")
        count = sum(debt["kind"] == kind for debt in debts)
        assert page.count('<li class="work">') == min(30, count)
    chapter = debts[0]["chapter"]
    found = words(read(client, f"/repertoires/{demo}/owed?chapter={chapter}"))
    count = sum(debt["chapter"] == chapter for debt in debts)
    assert f"{count} thing{'s are' if count > 1 else ' is'} owed to its readers in ch" in found
    nowhere = words(read(client, f"/repertoires/{demo}/owed?chapter=no such chapter"))
    assert "0 things are owed" in nowhere
    # What there is not asks for nothing.
    assert read(client, f"/repertoires/{demo}/owed?kind=nonsense&page=-3&chapter=")
    for kind in KINDS:
        page = read(client, f"/repertoires/{demo}/reminders?kind={kind}&chapter={chapter}")
        assert "<h1>" in page


def test_pages_and_tables_tell_the_same(course: TestService, demo: str) -> None:
    client = course.client()
    with course.app.app_context():
        work = repertoires().desk.open(demo).work
    orders: Any = client.get(f"/api/repertoires/{demo}/move-orders?limit=1000").json
    matter = {row["words"] for row in orders["items"] if row["matters"]}
    shown = order_page(work)
    assert {row.words for row in shown.rows} <= matter  # type: ignore[attr-defined]
    assert shown.total == len(matter)
    said: Any = client.get(f"/api/repertoires/{demo}/reminders?limit=1000").json
    found = reminder_page(work)
    assert found.total == said["total"]
    kinds = [row.kind for row in found.rows]  # type: ignore[attr-defined]
    assert kinds == [row["kind"] for row in said["items"]][: len(kinds)]
    csv = client.get(f"/api/repertoires/{demo}/reminders?format=csv").text
    assert csv.splitlines()[0].startswith("kind,file,game,node")
    loads: Any = client.get(f"/api/repertoires/{demo}/load?limit=1000").json
    whole = next(row for row in loads["items"] if row["part"] == "whole")
    assert load_page(work, TYPES).whole.moves == whole["to_remember"]


def test_choices_are_ours_and_what_most_lines_pass_comes_first(
    course: TestService, demo: str
) -> None:
    with course.app.app_context():
        work = repertoires().desk.open(demo).work
    counter = LoadCounter(work.book, work.paths, work.side)
    compared = list(counter.branchings())
    places = counter.places()
    assert [node for node, _ in places] == [one.node for one in compared]
    for (_, lines), one in zip(places, compared, strict=True):
        assert lines == sum(branch.load.lines for branch in one.branches)
    page = load_page(work, CHOICES)
    assert page.choices
    # The author has White, so it is White's move.
    assert all(work.book.ply[one.node] % 2 == 0 for one in page.choices)
    assert [one.lines for one in page.choices] == sorted(
        (one.lines for one in page.choices), reverse=True
    )


HOSTILE = '<script>alert(1)</script>\u202eevil {{7*7}} & " '


def test_hostile_names_and_comments_are_shown_as_text(course: TestService) -> None:
    pgn = (
        f'[Event "{HOSTILE.replace(chr(34), "")}"]\n\n'
        f"1. d4 {{Remember: {HOSTILE}}} d5 2. c4 {{First: {HOSTILE}}} e6 3. Nc3 $2 Nf6 4. cxd5 "
        "exd5 5. Bg5 Be7 $7 6. e3 c6 7. Bd3 O-O 8. Qc2 Nbd7 9. Nf3 *\n"
    ).encode()
    id = upload(course, ("<b>name</b>.pgn", pgn), side="white")
    for name in PAGES:
        page = read(course.client(), f"/repertoires/{id}/{name}")
        assert "<script>alert" not in page
        assert "\u202e" not in page
        assert ">49" not in page
    page = read(course.client(), f"/repertoires/{id}/reminders")
    assert "&lt;script&gt;alert(1)" in page
    assert page.count('<li class="work">') == 4


def test_an_empty_repertoire_owes_nothing_to_anybody(course: TestService) -> None:
    id = upload(course, ("one.pgn", b"1. d4 *\n"))
    for name in PAGES:
        assert read(course.client(), f"/repertoires/{id}/{name}")
    assert "no reminders, warnings or only moves yet" in words(
        read(course.client(), f"/repertoires/{id}/reminders")
    )


@pytest.mark.slow
def test_lists_of_a_large_repertoire_are_small_and_ask_the_store_little(
    course: TestService, tmp_path: Path
) -> None:
    path = tmp_path / "large.pgn"
    write_repertoire(path, 5_000)
    id = upload(course, ("large.pgn", path.read_bytes()), side="white")
    client = course.client()
    statements: list[str] = []

    def count(*args: Any) -> None:
        statements.append(str(args[2]))

    event.listen(course.store.engine, "before_cursor_execute", count)
    try:
        for name in PAGES:
            mark = "&" if "?" in name else "?"
            for number in ("1", "3", "99999"):
                statements.clear()
                page = read(client, f"/repertoires/{id}/{name}{mark}page={number}")
                assert len(page.encode()) <= MOST_BYTES, (name, len(page))
                assert len(statements) <= MOST_STATEMENTS, (name, statements)
    finally:
        event.remove(course.store.engine, "before_cursor_execute", count)
