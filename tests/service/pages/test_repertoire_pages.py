"""The pages of repertoires without a browser: rights, uploads, hostile text, size, statements."""

from __future__ import annotations

import io
import json
import re
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import chess
import pytest
from flask.testing import FlaskClient
from page_forms import form_key
from running_services import TestService, bearer, make_service
from sqlalchemy import event

from pawnlore import labelled_demo
from pawnlore.service.api.repertoires_at_hand import repertoires
from pawnlore.service.settings import ServiceLimits
from pawnlore.service.store.note_shelf import NoteShelf

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))

from generated_repertoire import write_repertoire

HTML = {"Accept": "text/html"}
OURS = {**HTML, "Origin": "http://localhost"}
DEMO = Path(labelled_demo.__file__).parent / "repertoire"
CARLSBAD = b"1. d4 d5 2. c4 e6 3. Nc3 Nf6 4. cxd5 exd5 5. Bg5 Be7 6. e3 c6 7. Bd3 O-O"
HOSTILE = '<script>alert(1)</script><img src=x onerror=alert(2)>\u202eevil\u2066 {{7*7}} & " '

MOST_BYTES = 100_000
MOST_STATEMENTS = 12


def ended(service: TestService) -> Iterator[TestService]:
    yield service
    with service.app.app_context():
        repertoires().runner.wait()
    service.store.close()


@pytest.fixture(scope="module")
def course(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestService]:
    """A service for this machine with the demo course."""
    service = make_service(tmp_path_factory.mktemp("course"))
    upload(service, *[(path.name, path.read_bytes()) for path in sorted(DEMO.glob("*.pgn"))])
    yield from ended(service)


@pytest.fixture
def empty(tmp_path: Path) -> Iterator[TestService]:
    yield from ended(make_service(tmp_path, limits=ServiceLimits(pgn_bytes=3_000_000)))


def send(client: FlaskClient, form: str, to: str, *files: tuple[str, bytes], **fields: str) -> Any:
    """Send the form of an upload that stands on a page."""
    parts = [(io.BytesIO(content), name) for name, content in files] or [(io.BytesIO(b""), "")]
    data = {"form_key": form_key(client, form, headers=HTML), "pgn": parts, **fields}
    return client.post(to, data=data, headers=OURS, content_type="multipart/form-data")


def wait(service: TestService) -> None:
    with service.app.app_context():
        repertoires().runner.wait()


def upload(service: TestService, *files: tuple[str, bytes], **fields: str) -> str:
    """Upload a new repertoire by the form, wait for it, and give its id."""
    client = service.client()
    answer = send(client, "/repertoires", "/repertoires", *files, **fields)
    assert answer.status_code == 303, answer.text
    wait(service)
    page = client.get(answer.headers["Location"], headers=HTML).text
    return re.search(r'class="button" href="/repertoires/([a-z0-9]+)"', page)[1]  # type: ignore[index]


def id_of(service: TestService) -> str:
    with service.app.app_context():
        return repertoires().shelf.list()[0].id


@contextmanager
def statements(service: TestService) -> Iterator[list[str]]:
    """What is sent to the database meanwhile."""
    sent: list[str] = []

    def note(connection: Any, cursor: Any, statement: str, *rest: Any) -> None:
        sent.append(statement)

    event.listen(service.store.engine, "before_cursor_execute", note)
    try:
        yield sent
    finally:
        event.remove(service.store.engine, "before_cursor_execute", note)


def addresses(service: TestService, id: str = "") -> list[str]:
    """Every page of a repertoire, with what can be asked of it."""
    id = id or id_of(service)
    base = f"/repertoires/{id}"
    with service.app.app_context():
        work = repertoires().desk.open(id).work
    groups = [f"{base}/groups/{one.structure}/{one.holder}" for one in work.groups.groups[:3]]
    leaf = int(work.paths.leaves[-1])
    return [
        "/repertoires",
        base,
        f"{base}?order=teach&side=ours",
        f"{base}?chapter=a&structure=carlsbad&page=99",
        *groups,
        f"{groups[0]}?page=9&chapters=9&chapter=a",
        f"{base}/nodes/0",
        f"{base}/nodes/1",
        f"{base}/nodes/{leaf}?line={leaf}",
        f"{base}/changes",
        f"{base}/problems",
        f"{base}/files",
        f"{base}/manage",
        f"{base}/delete",
    ]


# --- Reading.


def test_every_page_is_there_small_and_asks_the_store_little(course: TestService) -> None:
    client = course.client()
    for address in addresses(course):
        client.get(address, headers=HTML)
        with statements(course) as sent:
            answer = client.get(address, headers=HTML)
        assert answer.status_code == 200, address
        assert answer.content_type == "text/html; charset=utf-8"
        assert len(answer.data) <= MOST_BYTES, address
        assert len(sent) <= MOST_STATEMENTS, (address, sent)


def test_all_links_of_all_pages_lead_somewhere(course: TestService) -> None:
    client = course.client()
    # Pages of other families, which have tests of their own.
    others = re.compile(
        r"/(look-up|notes|structures|model|static|api)\b|/(owed|move-order|reminders|load)$"
    )
    seen: set[str] = set()
    for address in addresses(course):
        for link in re.findall(r'href="(/[^"#]*)', client.get(address, headers=HTML).text):
            link = link.replace("&amp;", "&")
            kind = re.sub(r"\d+", "0", link)
            if link == "/" or others.search(link) or kind in seen:
                continue
            seen.add(kind)
            assert client.get(link, headers=HTML).status_code == 200, f"{address}: {link}"
    assert len(seen) > 15


def test_exports_are_links_that_work(course: TestService) -> None:
    client, id = course.client(), id_of(course)
    text = client.get(f"/repertoires/{id}/files", headers=HTML).text
    links = [link.replace("&amp;", "&") for link in re.findall(r'href="(/api/[^"]*)', text)]
    links = [link for link in links if not link.endswith("openapi.json")]
    assert len(links) == 5 + 3 + 2 * 5  # files, what is made of them, tables
    for link in links:
        answer = client.get(link, headers=HTML)
        assert answer.status_code == 200 and answer.data, link


def test_the_groups_tell_what_leads_where(course: TestService) -> None:
    client, id = course.client(), id_of(course)
    text = client.get(f"/repertoires/{id}", headers=HTML).text
    assert "A repertoire for White: 75 lines in 18 chapters lead to 24 middlegame types." in text
    assert text.count('<li class="type') == 24
    assert 'rel="next"' in text
    card = text[text.index("Carlsbad structure") :]
    assert "11 lines, 15 %" in card and "4...exd5" in card
    theirs = client.get(f"/repertoires/{id}?side=theirs", headers=HTML).text
    assert "Stonewall" in theirs and ">Carlsbad structure</a>" not in theirs
    none = client.get(f"/repertoires/{id}?chapter=nowhere", headers=HTML).text
    assert "No line fits what is asked for." in none


def test_a_group_a_line_and_its_path(course: TestService) -> None:
    client, id = course.client(), id_of(course)
    group = client.get(f"/repertoires/{id}/groups/carlsbad/white", headers=HTML).text
    assert "From the catalogue" in group  # no note in this store
    link = re.search(r'href="(/repertoires/[^"]*/nodes/\d+\?line=\d+)" aria-label="Line 2', group)
    assert link is not None
    line = client.get(link[1], headers=HTML).text
    path = re.search(r'<nav class="path".*?</nav>', line, re.S)
    assert path is not None
    words = " ".join(re.sub(r"<[^>]*>", "", path[0]).split())
    assert words == (
        "Queen&#39;s Gambit tension, White’s, from move 2 Carlsbad structure, White’s, from move 4 "
        "c4–d4 against d5, before the isolani is decided, Black’s, in passing, at move 9 "
        "Isolated queen&#39;s pawn (isolani), Black’s, from move 10"
    )
    assert path[0].count('aria-current="step"') == 1
    assert "White king e1" in line  # the board in words


@pytest.mark.parametrize(
    "path",
    [
        "/nodes/99999999",
        "/nodes/99999999999999999999999",
        "/groups/carlsbad/black",
        "/groups/own/mine/white",
        "/groups/%00/white",
        "/groups/carlsbad/%F0%9F%A6%84",
        "/groups/../../x/white",
        "/nodes/-1",
    ],
)
def test_what_is_not_there_is_told(course: TestService, path: str) -> None:
    answer = course.client().get(f"/repertoires/{id_of(course)}{path}", headers=HTML)
    assert answer.status_code == 404
    assert "<h1>There is nothing here</h1>" in answer.text


@pytest.mark.parametrize("value", ["x", "-1", "0", "9" * 400, "１２", "%00", "<b>", "1.5"])
def test_odd_queries_are_read_as_far_as_they_go(course: TestService, value: str) -> None:
    client, base = course.client(), f"/repertoires/{id_of(course)}"
    for address in (
        f"{base}?page={value}&chapter={value}&side={value}&structure={value}&order={value}",
        f"{base}/groups/carlsbad/white?page={value}&chapters={value}&chapter={value}",
        f"{base}/nodes/5?line={value}",
        f"{base}/changes?what={value}&page={value}",
        f"{base}/problems?page={value}",
        f"/repertoires?after={value}",
    ):
        answer = client.get(address, headers=HTML)
        assert answer.status_code == 200, address
        assert "<b>" not in answer.text.replace("<b><bdi>", "")


# --- Uploading, renaming, deleting.


def test_what_could_not_be_read_is_told_by_file_game_line_and_move(empty: TestService) -> None:
    bad = b'[Event "Broken"]\n\n1. d4 d5\n2. c4 Nf9 3. Nc3 *\n\n' + CARLSBAD + b" *\n"
    client = empty.client()
    answer = send(
        client, "/repertoires", "/repertoires", ("good.pgn", CARLSBAD + b" *"), ("bad.pgn", bad)
    )
    assert answer.status_code == 303
    wait(empty)
    text = client.get(answer.headers["Location"], headers=HTML).text
    assert "Uploaded: <bdi>Good and 1 more file</bdi>" in text
    told = " ".join(re.sub(r"<[^>]*>", "", text[text.index("What could not be read") :]).split())
    assert "bad.pgn, game 1, line 4, move 2... Nf9" in told
    assert "1 place; everything else was kept" in told
    id = id_of(empty)
    page = client.get(f"/repertoires/{id}/problems", headers=HTML).text
    assert (
        "move 2... Nf9" in page
        and "1 place could not be read" in client.get(f"/repertoires/{id}", headers=HTML).text
    )
    # Programs get the same.
    table = client.get(f"/api/repertoires/{id}/problems").json
    assert table is not None and table["total"] == 1
    row = table["items"][0]
    assert (row["file"], row["game"], row["line"], row["move"]) == ("bad.pgn", 1, 4, "2... Nf9")
    assert client.get(f"/api/repertoires/{id}/problems?format=csv").text.startswith("file,game,")


def test_nothing_to_read_nothing_chosen_and_too_much(empty: TestService) -> None:
    client = empty.client()
    answer = send(client, "/repertoires", "/repertoires", ("notes.pgn", b"these are no moves"))
    wait(empty)
    failed = client.get(answer.headers["Location"], headers=HTML).text
    assert "<h1>Nothing was uploaded</h1>" in failed
    none = send(client, "/repertoires", "/repertoires")
    assert none.status_code == 422 and "Choose at least one PGN file." in none.text
    long = send(client, "/repertoires", "/repertoires", ("a.pgn", CARLSBAD), name="x" * 201)
    assert long.status_code == 422
    many = [(f"{place}.pgn", CARLSBAD) for place in range(101)]
    assert send(client, "/repertoires", "/repertoires", *many).status_code == 413
    side = send(client, "/repertoires", "/repertoires", ("a.pgn", CARLSBAD), side="green")
    assert side.status_code == 400
    huge = send(client, "/repertoires", "/repertoires", ("a.pgn", b" " * 3_100_000))
    assert huge.status_code == 413


def test_a_new_version_tells_what_changed_and_keeps_its_address(empty: TestService) -> None:
    id = upload(
        empty, ("course.pgn", CARLSBAD + b" 8. Qc2 Nbd7 9. Nf3 *"), name="Old", side="white"
    )
    client = empty.client()
    assert "has changed yet" in client.get(f"/repertoires/{id}/changes", headers=HTML).text
    later = CARLSBAD + b" 8. Qc2 Nbd7 9. Nge2 Re8 10. O-O Nf8 *"
    answer = send(client, f"/repertoires/{id}/manage", f"/repertoires/{id}/pgn", ("new.pgn", later))
    wait(empty)
    text = client.get(answer.headers["Location"], headers=HTML).text
    assert "4 positions added" in text and "1 position gone" in text
    changes = client.get(f"/repertoires/{id}/changes", headers=HTML).text
    assert "What version 2 changed" in changes
    assert "9.Nge2 Re8 10.O-O Nf8" in changes and "Carlsbad structure, White’s" in changes
    gone = client.get(f"/repertoires/{id}/changes?what=gone", headers=HTML).text
    assert gone.count('class="stance theirs">gone') == 1 and "9.Nf3" in gone
    # What is there leads to its board, what is gone leads nowhere.
    boards = re.findall(rf'href="(/repertoires/{id}/nodes/\d+)">([^<]+)<', changes)
    assert len(boards) == 4 and "/nodes/" not in gone.partition("change-list")[2]
    for path, moves in boards:
        heading = client.get(path, headers=HTML).text.partition("<h1")[2].partition("</h1>")[0]
        assert moves.split()[-1].rpartition(".")[2] in heading
    same = send(client, f"/repertoires/{id}/manage", f"/repertoires/{id}/pgn", ("new.pgn", later))
    wait(empty)
    assert "the same positions as before" in client.get(same.headers["Location"]).text
    with empty.app.app_context():
        stored = repertoires().shelf.get(id)
    assert (stored.name, stored.side, stored.version) == ("Old", "white", 3)


def test_another_name_and_side(empty: TestService) -> None:
    id, client = upload(empty, ("a.pgn", CARLSBAD)), empty.client()
    place = f"/repertoires/{id}/manage"
    key = form_key(client, place, headers=HTML)
    assert "<bdi>a</bdi>" in client.get(f"/repertoires/{id}", headers=HTML).text  # it is open
    data = {"form_key": key, "name": "Another", "side": ""}
    assert client.post(place, data=data, headers=OURS).status_code == 303
    assert "<bdi>Another</bdi>" in client.get(f"/repertoires/{id}", headers=HTML).text
    for name, status in (("", 422), ("x" * 201, 422), ("a\nb", 422), ("The Quiet Lever", 303)):
        data = {"form_key": key, "name": name, "side": "black"}
        assert client.post(place, data=data, headers=OURS).status_code == status
    text = client.get(f"/repertoires/{id}", headers=HTML).text
    assert "The Quiet Lever" in text and "A repertoire for Black" in text
    data = {"form_key": key, "name": "a", "side": "green"}
    assert client.post(place, data=data, headers=OURS).status_code == 422


def test_deleting_asks_first(empty: TestService) -> None:
    id, client = upload(empty, ("a.pgn", CARLSBAD)), empty.client()
    place = f"/repertoires/{id}/delete"
    asked = client.get(place, headers=HTML)
    assert asked.status_code == 200 and "for good" in asked.text
    assert client.get(f"/repertoires/{id}").status_code == 200
    assert client.post(place, headers=OURS).status_code == 403  # without the form's key
    data = {"form_key": form_key(client, place, headers=HTML)}
    assert client.post(place, data=data, headers=OURS).status_code == 303
    gone = client.get(f"/repertoires/{id}", headers=HTML)
    assert gone.status_code == 404
    assert '<a href="/repertoires">To the repertoires</a>' in gone.text
    assert "To the repertoires" not in client.get("/notes/none", headers=HTML).text
    assert "There is no repertoire yet" in client.get("/repertoires", headers=HTML).text


def test_a_running_upload_refreshes_itself_only_without_scripts(empty: TestService) -> None:
    with empty.app.app_context():
        job = repertoires().jobs.add("upload", total=1000)
        repertoires().jobs.progress(job.id, 420)
    text = empty.client().get(f"/repertoires/uploads/{job.id}", headers=HTML).text
    assert "42 % was read." in text
    assert '<noscript><meta http-equiv="refresh"' in text
    assert "An upload is being read" in empty.client().get("/repertoires", headers=HTML).text
    assert empty.client().get("/repertoires/uploads/none", headers=HTML).status_code == 404
    with empty.app.app_context():
        repertoires().jobs.fail(job.id, "ended by the test")


def test_plan_notes_stand_where_their_structure_does(empty: TestService) -> None:
    id, client = upload(empty, ("a.pgn", CARLSBAD)), empty.client()
    for title, published in (("Minority <attack>", True), ("A draft", False)):
        NoteShelf(empty.store).create(
            '+++\nstructure = "carlsbad"\nholder = "white"\nside = "holder"\n'
            f'title = "{title}"\n+++\n**b5** & <b>on</b>.\n',
            author="Ysolde Marrekin",
            published=published,
        )
    for path in ("groups/carlsbad/white", "nodes/14"):
        text = client.get(f"/repertoires/{id}/{path}", headers=HTML).text
        assert "Minority &lt;attack&gt;" in text and "A draft" in text
        assert "<strong>b5</strong> &amp; &lt;b&gt;on&lt;/b&gt;." in text
    assert "2 plan notes" in client.get(f"/repertoires/{id}", headers=HTML).text


# --- Who may what.


def test_a_student_reads_groups_lines_and_boards_of_one_repertoire(tmp_path: Path) -> None:
    service = make_service(tmp_path, sign_in=True)
    client, author = service.client(), bearer(service.token())
    ids = []
    for _ in range(2):
        answer = client.post(
            "/api/repertoires", data=CARLSBAD, content_type="text/plain", headers=author
        )
        wait(service)
        job = client.get(answer.headers["Location"], headers=author).json
        assert job is not None
        ids.append(job["result"]["repertoire"])
    shelf = NoteShelf(service.store)
    for title, published in (("Published", True), ("Secret draft", False)):
        shelf.create(
            '+++\nstructure = "carlsbad"\nholder = "white"\nside = "holder"\n'
            f'title = "{title}"\n+++\nb5.\n',
            author="Ysolde Marrekin",
            published=published,
        )
    one, other = ids
    student = {**bearer(service.link(one)), **HTML}
    reader = {**bearer(service.token("read", "reader")), **HTML}
    for path in ("", "/groups/carlsbad/white", "/nodes/14"):
        answer = client.get(f"/repertoires/{one}{path}", headers=student)
        assert answer.status_code == 200
        assert "Secret draft" not in answer.text and "2 plan notes" not in answer.text
        for closed in ("/manage", "/delete", "/owed", "/notes/new", "Write", 'href="/repertoires"'):
            assert closed not in answer.text, closed
        assert client.get(f"/repertoires/{other}{path}", headers=student).status_code == 404
        assert client.get(f"/repertoires/{one}{path}", headers=HTML).status_code == 401
        assert "/manage" not in client.get(f"/repertoires/{one}{path}", headers=reader).text
    assert "Published" in client.get(f"/repertoires/{one}/nodes/14", headers=student).text
    for path in ("", f"/{one}/changes", f"/{one}/problems", f"/{one}/files"):
        path = f"/repertoires{path}"
        assert client.get(path, headers=student).status_code == 403
        assert client.get(path, headers=reader).status_code == 200
    for path in ("manage", "delete"):
        for who in (student, reader):
            assert client.get(f"/repertoires/{one}/{path}", headers=who).status_code == 403
            assert client.post(f"/repertoires/{one}/{path}", headers=who).status_code == 403
    for path in ("/repertoires", f"/repertoires/{one}/pgn"):
        for who in (student, reader):
            data = {"pgn": (io.BytesIO(CARLSBAD), "a.pgn")}
            assert client.post(path, data=data, headers=who).status_code == 403
    service.store.close()


# --- Hostile and huge.


@pytest.mark.slow
def test_a_large_repertoire_takes_the_same_room_and_statements(
    empty: TestService, tmp_path: Path
) -> None:
    sent: dict[int, list[int]] = {}
    for nodes in (1_000, 20_000):
        pgn = tmp_path / f"{nodes}.pgn"
        write_repertoire(pgn, nodes)
        id = upload(empty, (pgn.name, pgn.read_bytes()))
        client = empty.client()
        counts = []
        for address in addresses(empty, id):
            client.get(address, headers=HTML)
            with statements(empty) as seen:
                answer = client.get(address, headers=HTML)
            assert answer.status_code == 200 and len(answer.data) <= MOST_BYTES, address
            counts.append(len(seen))
        sent[nodes] = counts
    assert sent[1_000] == sent[20_000]
    assert max(sent[20_000]) <= MOST_STATEMENTS


def hostile_pgn() -> bytes:
    event_name = (HOSTILE * 200)[:10_000].replace('"', "'")
    comment = (HOSTILE * 500).replace("{", "(").replace("}", ")")
    games = []
    for place in range(120):
        moves = (
            f"1. d4 {{{comment}}} d5 2. c4 e6 ({{{HOSTILE.replace('{', '(').replace('}', ')')}}} "
            "2... c6) 3. Nc3 Nf6 4. cxd5 exd5 5. Bg5 Be7 6. e3 c6 7. Bd3 O-O "
        )
        extra = " ".join(f"({move})" for move in ("8. a3", "8. b3", "8. h3", "8. Nf3", "8. Qc2"))
        games.append(f'[Event "{place} {event_name}"]\n\n{moves} 8. a4 {extra} {{{comment}}} *\n\n')
    return "".join(games).encode()


def test_hostile_names_and_comments_are_text_and_take_bounded_room(empty: TestService) -> None:
    name = '"><script>alert(0)</script>'
    answer = empty.client()
    id = upload(empty, ("<b>&.pgn", hostile_pgn()[:2_900_000]), name=name)
    for address in addresses(empty):
        text = answer.get(address, headers=HTML).text
        assert len(text.encode()) <= MOST_BYTES, address
        assert "<script>alert" not in text and "<img" not in text and "<b>&" not in text, address
        assert not re.search("[\u202a-\u202e\u2066-\u2069]", text), address
        assert "49 &amp;" not in text, address
    assert id == id_of(empty)


def wide_pgn() -> bytes:
    """A line on which every move has five others, and much is said."""
    said = "{" + "Remember: <&> " * 400 + "}"
    board, words = chess.Board(), []
    opening = "d4 d5 c4 e6 Nc3 Nf6 cxd5 exd5 Bg5 Be7 e3 c6 Bd3 O-O"
    for move in f"{opening} {'Bc2 Re8 Bd3 Rf8 ' * 60}".split():
        number = f"{board.fullmove_number}{'.' if board.turn else '...'}"
        others = [board.san(other) for other in board.legal_moves if board.san(other) != move]
        words.append(f"{number} {move} {said}")
        words += [f"({number} {other})" for other in others[:5]]
        board.push_san(move)
    return " ".join([*words, "*"]).encode()


@pytest.mark.slow
def test_many_long_notes_on_long_lines_still_fit(empty: TestService) -> None:
    squares = [f"{file}{rank}" for file in "abcdefgh" for rank in range(1, 9)][:60]
    moves = "Rab1 b4 b5 bxc6 a4 a5 Qb3 Rfc1 Na4 Nc5 Nd2 Nb3 Rb2 Qc2 Bd3 Nf3 h3 g3 Kg2 f3 e4 Re1"
    for number in range(12):
        NoteShelf(empty.store).create(
            '+++\nstructure = "carlsbad"\nholder = "any"\nside = "holder"\n'
            f'title = "{"&" * 190} {number}"\nsquares = {json.dumps(squares)}\n'
            f"moves = {json.dumps(moves.split())}\n+++\n" + "*<&>* " * 1900,
            author="Ysolde Marrekin",
            published=True,
        )
    said = "{" + '"&<' * 2000 + "}"
    dance = " ".join(f"Nh5 {9 + 2 * n}. Be2 Nf6 {10 + 2 * n}. Bd3" for n in range(120))
    opening = f"1. d4 {said} d5 {said} 2. c4 {said} e6 3. Nc3 Nf6 4. cxd5 exd5 5. Bg5 Be7 6. e3 c6"
    games = [
        f'[Event "{place} {"&é" * 5000}"]\n\n{opening} 7. Bd3 O-O 8. a4 (8. a3) {dance} *\n\n'
        for place in range(60)
    ]
    id = upload(empty, ("long.pgn", "".join(games).encode()))
    client, sizes = empty.client(), []
    for path in ("", "/groups/carlsbad/white", "/nodes/13", "/nodes/200", "/nodes/20000"):
        answer = client.get(f"/repertoires/{id}{path}", headers=HTML)
        assert answer.status_code == 200
        sizes.append(len(answer.data))
    id = upload(empty, ("wide.pgn", wide_pgn()))
    for path in ("/nodes/40", "/nodes/100", "/nodes/200", "/nodes/300", "/nodes/400"):
        answer = client.get(f"/repertoires/{id}{path}", headers=HTML)
        assert answer.status_code == 200
        sizes.append(len(answer.data))
    assert max(sizes) <= MOST_BYTES
    assert sizes[1] > 60_000  # else there was nothing to bound


def test_a_line_of_ten_thousand_half_moves_and_a_node_with_many_moves(empty: TestService) -> None:
    dance = b"1. Nf3 Nf6 2. Ng1 Ng8 " * 2500
    wide = b"1. d4 d5 " + b"".join(
        b"(1... %s) " % move
        for move in (b"a6", b"b6", b"c6", b"d6", b"e6", b"f6", b"g6", b"h6", b"a5", b"b5", b"c5")
        for _ in range(40)
    )
    id = upload(empty, ("long.pgn", dance + b"*\n\n" + wide + b"*"))
    client = empty.client()
    for node in (0, 5, 4_000, 9_999, 10_000, 10_002):
        answer = client.get(f"/repertoires/{id}/nodes/{node}?line=10000", headers=HTML)
        assert answer.status_code == 200 and len(answer.data) <= MOST_BYTES
    assert (
        "so long that its pieces are not set up"
        in client.get(f"/repertoires/{id}/nodes/9999", headers=HTML).text
    )
