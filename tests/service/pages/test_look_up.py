"""The look-up page and the catalogue without a browser: rights, hostile input, size, statements."""

from __future__ import annotations

import re
from collections.abc import Iterator
from html import unescape
from pathlib import Path
from urllib.parse import quote

import chess
import pytest
from browsers import put_demo
from flask.testing import FlaskClient
from hypothesis import given
from hypothesis import strategies as st
from running_services import TestService, bearer, make_service
from sqlalchemy import event

from pawnlore.service.api.repertoires_at_hand import repertoires
from pawnlore.service.pages.look_up import MOST_REPERTOIRES
from pawnlore.service.store.label_shelf import LabelShelf
from pawnlore.service.store.note_shelf import NoteShelf
from pawnlore.structures.skeleton import skeleton_from_fen

HTML = {"Accept": "text/html,application/xhtml+xml,*/*;q=0.8"}
MOST_BYTES = 100_000
MOST_STATEMENTS = 12
CARLSBAD = "d4 d5 c4 e6 Nc3 Nf6 cxd5 exd5 Bg5 Be7 e3 c6 Bd3 O-O Qc2 Nbd7 Nf3 Re8 O-O"
HANGING = "r2q1rk1/pb3ppp/1pn1pn2/8/2PP4/5N2/P3BPPP/R1BQ1RK1 w - - 0 12"
OFF_THE_CORE = "8/pp3ppp/2p5/3p4/3PP3/8/PP3PPP/8"
"""A Carlsbad whose e-pawn has gone one step too far."""
ISOLANI = "8/pp3ppp/4p3/8/3P4/8/PP3PPP/8"


@pytest.fixture(scope="module")
def course(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestService]:
    made = make_service(tmp_path_factory.mktemp("look-up"))
    put_demo(made)
    yield made
    made.store.close()


@pytest.fixture
def client(course: TestService) -> FlaskClient:
    return course.client()


def repertoire_of(client: FlaskClient) -> str:
    answer = client.get("/api/repertoires").json
    assert answer is not None
    return str(answer["items"][0]["id"])


def look(client: FlaskClient, query: str = "", status: int = 200) -> str:
    answer = client.get(f"/look-up?{query}", headers=HTML)
    assert answer.status_code == status, answer.text
    assert len(answer.data) <= MOST_BYTES
    return unescape(answer.text)


def test_structure_plan_breaks_and_lines_follow_the_position(client: FlaskClient) -> None:
    text = look(client, f"moves={quote(CARLSBAD)}&repertoire={repertoire_of(client)}")
    assert ">Carlsbad structure</h1>" in text
    assert "Its core is met" in text
    # The author's note, and why it applies.
    assert "Minority attack: two pawns against three" in text
    assert "the kings have gone to the same wing" in text
    assert "our plan (White)" in text
    # The lever of the books: b2-b4-b5 (from memory, no source).
    assert "b2–b4–b5" in text and "...c6–c5" in text
    assert re.search(r'groups/carlsbad/white">11 lines', text)
    assert "Nf8" in text and "Similar pawns" in text


def test_a_core_that_is_met_marks_what_it_asks_for_and_crosses_nothing(
    client: FlaskClient,
) -> None:
    text = look(client, f"moves={quote(CARLSBAD)}")
    told = "ringed: the pawns that the structure asks for; framed: no pawn on this file, as it asks"
    assert f"The pawns alone; {told}" in text
    assert "crossed" not in text and "Against it" not in text
    # Off the core the classifier decides, and then its voices are heard.
    off = look(client, f"fen={quote(OFF_THE_CORE)}")
    assert "its core is not met" in off and "ringed: they speak for the name" in off


def test_blacks_isolani_is_told_as_blacks(tmp_path: Path) -> None:
    made = make_service(tmp_path)
    text = look(made.client(), f"fen={quote('8/pp3ppp/8/3p4/8/4P3/PP3PPP/8')}&side=white")
    assert "our plan (White)" in text and "their plan (Black)" in text
    # The blockade stands before the pawn; common practice, no source.
    assert "Put a knight on d4, trade minor pieces and attack the pawn on d5" in text
    assert "read the other colour" not in text
    assert '<a href="#plans">what to do</a>' in text
    made.store.close()


def test_without_a_note_the_catalogue_speaks_and_says_so(client: FlaskClient) -> None:
    text = look(client, f"fen={quote('8/pp3ppp/2p1p3/3p4/3P4/2P1P3/PP3PPP/8')}")
    if "From the catalogue" in text:
        assert "Not the author’s word." in text
    turned = look(client, f"fen={quote('8/pp3ppp/4p3/3p4/3P4/2P5/PP3PPP/8')}")
    assert "</h1>" in turned


def test_moves_lead_to_addresses(client: FlaskClient) -> None:
    for query, place in (
        ("play=d4", "/look-up?moves=d4"),
        ("moves=d4&play=1...+d5+2.+c4", "/look-up?moves=d4+d5+c4"),
        ("moves=d4+d5+c4&back=1", "/look-up?moves=d4"),
        ("moves=d4&back=0&side=black", "/look-up?side=black"),
        ("play=e2e4", "/look-up?moves=e4"),
    ):
        answer = client.get(f"/look-up?{query}", headers=HTML)
        assert (answer.status_code, answer.headers["Location"]) == (303, place)


def test_a_move_that_cannot_be_played_is_told_with_the_text_kept(client: FlaskClient) -> None:
    text = look(client, "moves=d4&play=Ke3+c4", 422)
    assert "'Ke3' cannot be played here" in text
    assert 'name="play" value="Ke3 c4"' in text
    assert 'aria-invalid="true"' in text


@pytest.mark.parametrize(
    ("fen", "reason"),
    [
        ("8/8/8/8/8/8/8/KK6 w - - 0 1", "White has 2 kings"),
        ("rnbqkbnr/pppppppp/8/8/8/8/PPPPPPPP w - - 0 1", "rank"),
        ("hello", "cannot be read"),
        ("4k3/8/8/8/8/8/8/4K3 x - -", "instead of w or b"),
    ],
)
def test_what_is_no_position_is_told_with_the_text_kept(
    client: FlaskClient, fen: str, reason: str
) -> None:
    text = look(client, f"fen={quote(fen)}", 422)
    assert reason in text
    assert f'value="{fen}"' in text


def test_pawns_alone_are_enough_and_a_missing_turn_is_asked_for(client: FlaskClient) -> None:
    text = look(client, f"fen={quote(ISOLANI)}")
    assert "Isolated queen's pawn" in text and "legal move" not in text
    text = look(client, f"fen={quote('4k3/pp3ppp/4p3/8/3P4/8/PP3PPP/4K3')}")
    assert "Who is to move?" in text
    (white, _) = re.findall(
        r'href="(/look-up\?fen=[^"]*w%20-%20-|/look-up\?fen=[^"]*b%20-%20-)"', text
    )
    assert "White is to move" in client.get(white, headers=HTML).text


def test_mate_and_stalemate_are_told(client: FlaskClient) -> None:
    assert "Checkmate." in look(client, "moves=f3+e5+g4+Qh4")
    assert "Stalemate" in look(client, f"fen={quote('7k/5Q2/6K1/8/8/8/8/8 b - - 0 1')}")


HOSTILE = '"><script>alert(1)</script><img src=x onerror=alert(1)>'


@pytest.mark.parametrize("name", ["fen", "moves", "play", "repertoire", "side", "back", "other"])
def test_hostile_text_is_shown_as_text(client: FlaskClient, name: str) -> None:
    for text in (
        HOSTILE,
        "\x00\u202e" + HOSTILE,
        "' onmouseover='alert(1)",
        "{{ 7919*7907 }}",
        "javascript:",
    ):
        answer = client.get(f"/look-up?{name}={quote(text)}", headers=HTML)
        assert answer.status_code in (200, 404, 422)
        assert "<script>" not in answer.text and "<img" not in answer.text
        assert "\x00" not in answer.text and "\u202e" not in answer.text
        assert str(7919 * 7907) not in answer.text
        assert len(answer.data) <= MOST_BYTES


@pytest.fixture(scope="module")
def lasting(course: TestService) -> FlaskClient:
    return course.client()


_ANY = st.text(max_size=60)


@given(fen=_ANY, moves=_ANY, play=_ANY, side=_ANY, back=_ANY)
def test_no_address_breaks_the_page(
    lasting: FlaskClient, fen: str, moves: str, play: str, side: str, back: str
) -> None:
    query = {"fen": fen, "moves": moves, "play": play, "side": side, "back": back}
    answer = lasting.get("/look-up", query_string=query, headers=HTML)
    assert answer.status_code in (200, 303, 422)


def test_the_largest_pages_are_small_and_ask_the_store_little(course: TestService) -> None:
    client = course.client()
    id = repertoire_of(client)
    # The most legal moves known in a position (R. Petrović, 1964, from memory): 218.
    most = "R6R/3Q4/1Q4Q1/4Q3/2Q4Q/Q4Q2/pp1Q4/kBNN1KB1 w - - 0 1"
    assert chess.Board(most).legal_moves.count() == 218
    long = " ".join(["Nf3 Nf6 Ng1 Ng8"] * 75)
    for address in (
        "/",
        f"/look-up?fen={quote(most)}&repertoire={id}",
        f"/look-up?moves={quote(long)}&repertoire={id}",
        f"/look-up?moves={quote(CARLSBAD)}&repertoire={id}",
        f"/look-up?fen={quote(HANGING)}",
        "/structures",
        "/structures?page=2",
        "/structures/carlsbad",
    ):
        client.get(address, headers=HTML)
        sent: list[str] = []

        def note(connection: object, cursor: object, statement: str, *rest: object) -> None:
            sent.append(statement)  # noqa: B023

        event.listen(course.store.engine, "before_cursor_execute", note)
        answer = client.get(address, headers=HTML)
        event.remove(course.store.engine, "before_cursor_execute", note)
        assert answer.status_code == 200, address
        assert len(answer.data) <= MOST_BYTES, (address, len(answer.data))
        assert len(sent) <= MOST_STATEMENTS, (address, sent)


def test_long_notes_do_not_swell_the_page(tmp_path_factory: pytest.TempPathFactory) -> None:
    made = make_service(tmp_path_factory.mktemp("long"))
    shelf = NoteShelf(made.store)
    head = '+++\nstructure = "isolated-queen-pawn"\nholder = "any"\nside = "holder"\n'
    for number in range(30):
        shelf.create(f'{head}title = "Plan {number} {"&" * 150}"\n+++\n{"*&* <b> " * 1_500}')
    text = look(made.client(), f"fen={quote(ISOLANI)}")
    assert "22 more notes" in text
    made.store.close()


# --- Students.


@pytest.fixture
def student(course: TestService) -> FlaskClient:
    client = course.client()
    secret = course.link(repertoire_of(client))
    client.get(f"/study/{secret}")
    return client


def test_a_student_sees_what_is_published_and_nothing_owed(
    course: TestService, student: FlaskClient
) -> None:
    author = course.client()
    text = look(student, f"moves={quote(CARLSBAD)}")
    assert "Minority attack: two pawns against three" in text
    assert "In <bdi>The Quiet Lever</bdi>" in text
    for words in ("/notes/new", "Write ", '/repertoires"', "You labelled", "draft"):
        assert words not in text, words
    found = next(
        note
        for note in author.get("/api/notes").json["items"]
        if "Minority" in note["title"]  # type: ignore[index]
    )
    shelf = NoteShelf(course.store)
    note = shelf.get(found["id"])
    shelf.change(note.id, note.text, expected_revision=note.revision, published=False)
    assert "Minority attack" not in look(student, f"moves={quote(CARLSBAD)}")
    assert "Minority attack" in look(author, f"moves={quote(CARLSBAD)}")
    shelf.change(note.id, note.text, expected_revision=note.revision + 1, published=True)


def test_the_front_page_is_the_look_ups(client: FlaskClient, student: FlaskClient) -> None:
    here = '<a href="/look-up" aria-current="page">Look up</a>'
    for one in (client, student):
        for path in ("/", "/look-up"):
            assert here in one.get(path, headers=HTML).text
        for path in ("/structures", "/notes"):
            assert here not in one.get(path, headers=HTML).text


def test_a_student_is_held_to_one_repertoire(course: TestService, student: FlaskClient) -> None:
    assert student.get("/look-up?repertoire=other", headers=HTML).status_code == 404
    assert student.get("/", headers=HTML).status_code == 200
    assert student.get("/structures/carlsbad", headers=HTML).status_code == 200
    secret = course.link(repertoire_of(course.client()))
    headers = {**HTML, **bearer(secret)}
    assert course.client().get("/look-up?repertoire=other", headers=headers).status_code == 404
    assert course.client().get("/look-up", headers=headers).status_code == 200


def test_a_label_is_told_to_the_author_alone(course: TestService, student: FlaskClient) -> None:
    shelf = LabelShelf(course.store)
    fen = "8/p4pp1/7p/8/3P4/8/P4PPP/8"
    pawns = tuple(skeleton_from_fen(fen))
    label = shelf.put(pawns, "open-centre", "both", fen=fen, reason="kept to myself")
    text = look(course.client(), f"fen={quote(fen)}")
    assert "You labelled these pawns." in text
    told = look(student, f"fen={quote(fen)}")
    assert "You labelled" not in told and "kept to myself" not in told
    shelf.delete(label.id, expected_revision=label.revision)


# --- The catalogue.


def test_every_structure_has_a_page(client: FlaskClient) -> None:
    listed = client.get("/api/structures").json
    assert listed is not None
    seen: set[str] = set()
    for number in (1, 2):
        text = client.get(f"/structures?page={number}", headers=HTML).text
        seen |= set(re.findall(r'href="/structures/([a-z0-9-]+)"', text))
    assert seen == {one["id"] for one in listed["items"]}
    for one in listed["items"]:
        answer = client.get(f"/structures/{one['id']}", headers=HTML)
        assert answer.status_code == 200
        assert len(answer.data) <= MOST_BYTES


def test_the_catalogue_is_searched_and_says_where_nothing_is_found(client: FlaskClient) -> None:
    assert "hanging-pawns" in client.get("/structures?words=hanging+PAWNS", headers=HTML).text
    nothing = client.get(f"/structures?words={quote(HOSTILE)}", headers=HTML)
    assert nothing.status_code == 200 and "<script>" not in nothing.text
    assert client.get("/structures/none", headers=HTML).status_code == 404
    assert client.get("/structures/own/none", headers=HTML).status_code == 404


def test_many_repertoires_are_looked_through_up_to_a_bound(
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    made = make_service(tmp_path_factory.mktemp("many"))
    client = made.client()
    pgn = b'[Event "One"]\n\n1. d4 d5 2. c4 e6 3. Nc3 Nf6 4. cxd5 exd5 5. Bg5 c6 6. e3 Be7 '
    pgn += b"7. Bd3 O-O 8. Nf3 Nbd7 9. O-O Re8 10. Qc2 Nf8 *\n"
    for number in range(MOST_REPERTOIRES + 2):
        client.post(f"/api/repertoires?name=Course+{number}", data=pgn, content_type="text/plain")
    with made.app.app_context():
        repertoires().runner.wait()
    address = f"/look-up?moves={quote('d4 d5 c4 e6 Nc3 Nf6 cxd5 exd5 Bg5 c6 e3')}"
    client.get(address, headers=HTML)
    sent: list[str] = []

    def note(connection: object, cursor: object, statement: str, *rest: object) -> None:
        sent.append(statement)

    event.listen(made.store.engine, "before_cursor_execute", note)
    answer = client.get(address, headers=HTML)
    event.remove(made.store.engine, "before_cursor_execute", note)
    text = unescape(answer.text)
    assert text.count("1 line</a> of") == MOST_REPERTOIRES
    assert f"Only the first {MOST_REPERTOIRES} repertoires" in text
    assert len(sent) <= MOST_STATEMENTS + 3 * MOST_REPERTOIRES, sent
    # One that is not among the first is looked through where it is asked for.
    last = client.get("/api/repertoires").json["items"][-1]["id"]  # type: ignore[index]
    text = unescape(client.get(f"{address}&repertoire={last}", headers=HTML).text)
    assert f"In <bdi>Course {MOST_REPERTOIRES + 1}</bdi>" in text and "Be7" in text
    made.store.close()


def test_what_authors_wrote_is_shown_as_text(tmp_path_factory: pytest.TempPathFactory) -> None:
    made = make_service(tmp_path_factory.mktemp("hostile"))
    client = made.client()
    pgn = (
        f'[Event "{HOSTILE[2:]}"]\n\n1. d4 d5 2. c4 e6 3. Nc3 Nf6 4. cxd5 exd5 5. Bg5 c6 '
        f"{{ {HOSTILE} }} 6. e3 Be7 7. Bd3 O-O 8. Nf3 Nbd7 9. O-O Re8 10. Qc2 Nf8 *\n"
    )
    name = quote(HOSTILE)
    client.post(f"/api/repertoires?name={name}", data=pgn.encode(), content_type="text/plain")
    with made.app.app_context():
        repertoires().runner.wait()
    NoteShelf(made.store).create(
        '+++\nstructure = "carlsbad"\nholder = "white"\nside = "holder"\n'
        f"title = '{HOSTILE}'\nmodel_line = '1. d4 d5'\n+++\n"
        f"{HOSTILE}\n\n[x](javascript:alert(1))\n"
    )
    id = repertoire_of(client)
    for path in (
        "/",
        f"/look-up?repertoire={id}",
        f"/look-up?moves={quote('d4 d5 c4 e6 Nc3 Nf6 cxd5 exd5 Bg5 c6 e3')}&repertoire={id}",
        "/structures/carlsbad",
    ):
        answer = client.get(path, headers=HTML)
        assert answer.status_code == 200
        assert "<script>" not in answer.text and "<img" not in answer.text
        assert 'href="javascript' not in answer.text
        assert "&lt;script&gt;alert(1)" in answer.text, path
    made.store.close()


def test_a_note_for_one_chapter_is_found_where_only_that_chapter_has_the_position(
    client: FlaskClient,
) -> None:
    id = repertoire_of(client)
    found = client.get(f"/api/repertoires/{id}/nodes?structure=isolated-queen-pawn&holder=black")
    assert found.json is not None
    rows = [row for row in found.json["items"] if row["ply"] > 17]
    assert rows
    text = look(client, f"repertoire={id}&moves={quote('d4 d5 c4 e6 Nc3 c5 cxd5 exd5 Nf3 Nc6')}")
    assert "Tarrasch Defence: against the isolani" in text
