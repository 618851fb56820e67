"""The pages of plan notes without a browser: rights, forms, conflicts, hostile texts, sizes."""

from __future__ import annotations

import re
from collections.abc import Iterator
from html import unescape
from typing import Any

import pytest
from flask.testing import FlaskClient
from hypothesis import given, settings
from hypothesis import strategies as st
from page_forms import form_key
from running_services import TestService, bearer, make_service
from sqlalchemy import event
from werkzeug.test import TestResponse

from pawnlore.service.note_writing import NoteFields, written_note
from pawnlore.service.store.note_shelf import NoteShelf, StoredNote

OURS = {"Origin": "http://localhost"}
HOSTILE = '"><script>alert(1)</script><img src=x onerror=alert(1)>'
CARLSBAD = """[Event "E"]

1. d4 d5 2. c4 e6 3. Nc3 Nf6 4. cxd5 exd5 5. Bg5 Be7 6. e3 O-O 7. Bd3 Nbd7 8. Qc2 Re8
9. Nf3 Nf8 10. O-O c6 11. Rab1 a5 *
"""
KEPT = {
    "mode": "form",
    "title": "Minority attack",
    "structure": "carlsbad",
    "holder": "white",
    "side": "holder",
    "body": "Play **b5**.",
    "published": "yes",
}


@pytest.fixture
def service(tmp_path: Any) -> Iterator[TestService]:
    made = make_service(tmp_path)
    yield made
    made.store.close()


@pytest.fixture
def client(service: TestService) -> FlaskClient:
    return service.client()


def note(service: TestService, title: str = "T", **more: Any) -> StoredNote:
    published = more.pop("published", True)
    fields = {"structure": "carlsbad", "holder": "white", "side": "holder", "body": "Text."}
    text = written_note(NoteFields(title=title, **{**fields, **more}))
    return NoteShelf(service.store).create(text, author="Ysolde", published=published)


def sent(client: FlaskClient, path: str, **data: Any) -> TestResponse:
    key = form_key(client, "/notes/new")
    return client.post(path, data={"form_key": key, **data}, headers=OURS)


def test_a_plan_is_written_read_changed_and_found(
    service: TestService, client: FlaskClient
) -> None:
    answer = sent(
        client,
        "/notes/new",
        **KEPT,
        squares="b5, c6",
        moves="1.Rab1 2.b4 b5",
        when_queens="on",
        when_pawns_white="b2",
        when_file_e="half-open black",
        bishops=["white light", "black dark"],
        when_from="8",
        when_to="25",
        draft="ab-1",
    )
    assert answer.status_code == 303
    place = answer.headers["Location"]
    assert place.endswith("?saved=1&draft=ab-1")
    (stored,) = NoteShelf(service.store).list()
    told = stored.note()
    assert told.squares == ("b5", "c6") and told.moves == ("Rab1", "b4", "b5")
    assert told.when.words() == (
        "queens are on",
        "White has a pawn on b2",
        "the e-file is half-open for Black",
        "White has a light-squared bishop",
        "Black has a dark-squared bishop",
        "the move is between 8 and 25",
    )
    page = client.get(place).text
    assert "<strong>b5</strong>" in page and "the move is between 8 and 25" in page
    assert f"/notes/{stored.id}/edit" in client.get("/notes?q=minority&structure=carlsbad").text
    assert "No plan fits that" in client.get("/notes?q=hedgehog").text

    answer = sent(client, f"/notes/{stored.id}/edit", **{**KEPT, "title": "New"}, revision=1)
    assert answer.headers["Location"].startswith(f"/notes/{stored.id}?saved=2")
    assert not NoteShelf(service.store).get(stored.id).note().when


def test_saving_without_a_change_makes_no_revision(
    service: TestService, client: FlaskClient
) -> None:
    stored = note(service, body="One.\n\nTwo.")
    sent(
        client,
        f"/notes/{stored.id}/edit",
        **{**KEPT, "title": "T", "body": "One.\r\n\r\nTwo."},
        revision=1,
    )
    assert NoteShelf(service.store).get(stored.id).revision == 1


def test_what_is_wrong_is_told_at_its_field_and_nothing_typed_is_lost(client: FlaskClient) -> None:
    answer = sent(
        client,
        "/notes/new",
        **{**KEPT, "title": "", "squares": "i9 d5"},
        when_from="9",
        when_to="x",
    )
    assert answer.status_code == 422
    # A title was not given, so it is made of the structure; it is not a fault.
    assert 'id="title-fault"' not in answer.text
    assert "is no square" in answer.text and 'id="squares-fault"' in answer.text
    assert 'id="when-fault">moves must be two move numbers' in answer.text
    for typed in ("Play **b5**.", "i9 d5", 'value="x"'):
        assert typed in answer.text


def test_a_preview_without_scripts_keeps_the_form(client: FlaskClient) -> None:
    answer = sent(client, "/notes/new", **KEPT, act="preview", squares="b5")
    assert answer.status_code == 200
    assert "<strong>b5</strong>" in answer.text and "Play **b5**." in answer.text
    text = sent(client, "/notes/new", **KEPT, act="as-text")
    assert "title = &#34;Minority attack&#34;" in text.text or "Minority attack" in text.text
    assert 'name="mode" value="text"' in text.text


def test_two_authors_who_change_different_lines_keep_both(
    service: TestService, client: FlaskClient
) -> None:
    stored = note(service, "T", body="One.\n\nTwo.\n\nThree.")
    first = {**KEPT, "title": "T", "revision": 1}
    sent(client, f"/notes/{stored.id}/edit", **{**first, "body": "One!\n\nTwo.\n\nThree."})
    answer = sent(client, f"/notes/{stored.id}/edit", **{**first, "body": "One.\n\nTwo.\n\nIII."})
    assert answer.status_code == 409
    assert "Somebody else saved first" in answer.text and "Both changes fit together" in answer.text
    both = _typed(answer.text, "text")
    assert "One!" in both and "III." in both
    assert len(NoteShelf(service.store).set_aside(stored.id)) == 1
    done = sent(client, f"/notes/{stored.id}/edit", mode="text", text=both, revision=2)
    assert done.status_code == 303
    now = NoteShelf(service.store).get(stored.id)
    assert (now.revision, now.note().body.strip()) == (3, "One!\n\nTwo.\n\nIII.")


def test_two_authors_who_change_one_line_see_both(
    service: TestService, client: FlaskClient
) -> None:
    stored = note(service, "T", body="One.")
    for body in ("Mine.", "Theirs."):
        answer = sent(
            client, f"/notes/{stored.id}/edit", **{**KEPT, "title": "T", "body": body}, revision=1
        )
    assert answer.status_code == 409
    assert "Both changed the same lines" in answer.text
    assert "Theirs." in _typed(answer.text, "text") and "Mine." in _typed(answer.text, "theirs")
    late = client.get(f"/notes/{stored.id}/revisions?aside=1")
    assert "<ins>Theirs</ins>" in late.text
    again = client.get(f"/notes/{stored.id}/edit?as=text&aside=1")
    assert "Theirs." in _typed(again.text, "text")


def test_a_text_for_a_note_that_was_deleted_is_not_lost(
    service: TestService, client: FlaskClient
) -> None:
    stored = note(service)
    sent(client, f"/notes/{stored.id}/delete", revision=1)
    answer = sent(client, f"/notes/{stored.id}/edit", **{**KEPT, "body": "Long work."}, revision=1)
    assert answer.status_code == 410
    assert "Long work." in _typed(answer.text, "text")
    assert 'action="/notes/new"' in answer.text


def test_revisions_are_compared_and_restored_and_a_deleted_note_comes_back(
    service: TestService, client: FlaskClient
) -> None:
    stored = note(service, body="Play b4.")
    sent(
        client,
        f"/notes/{stored.id}/edit",
        **{**KEPT, "title": "T", "body": "Play b4 now."},
        revision=1,
    )
    page = client.get(f"/notes/{stored.id}/revisions?from=1&to=2").text
    assert "<ins> now</ins>" in page and ">+</span>" in page
    assert client.get(f"/notes/{stored.id}/revisions?from=1&to=9").status_code == 404
    answer = sent(client, f"/notes/{stored.id}/restore", revision=2, **{"from": "1"})
    assert answer.headers["Location"] == f"/notes/{stored.id}?saved=3"
    assert NoteShelf(service.store).get(stored.id).note().body.strip() == "Play b4."
    sent(client, f"/notes/{stored.id}/delete", revision=3)
    assert "was deleted" in client.get(f"/notes/{stored.id}").text
    assert "No plan fits" in client.get("/notes?state=published").text
    assert stored.id in client.get("/notes?state=deleted").text
    sent(client, f"/notes/{stored.id}/restore", revision=4)
    assert NoteShelf(service.store).get(stored.id).revision == 5
    # Who looks at an old page changes nothing.
    answer = sent(client, f"/notes/{stored.id}/delete", revision=3)
    assert NoteShelf(service.store).get(stored.id).revision == 5
    assert "nothing was done" in client.get(answer.headers["Location"]).text


def test_a_note_that_the_form_cannot_show_is_edited_as_text(
    service: TestService, client: FlaskClient
) -> None:
    stored = note(service, when={"file": ["e open", "e half-open white"]})
    page = client.get(f"/notes/{stored.id}/edit").text
    assert "no place in the form" in page and "e half-open white" in _typed(page, "text")
    for text, told in ((stored.text, "no place in the form"), ("no note", "the first line must")):
        answer = sent(
            client, f"/notes/{stored.id}/edit", mode="text", text=text, revision=1, act="as-form"
        )
        assert told in answer.text and _typed(answer.text, "text") == text
    plain = stored.text.replace(', "e half-open white"', "")
    answer = sent(
        client, f"/notes/{stored.id}/edit", mode="text", text=plain, revision=1, act="as-form"
    )
    assert 'name="mode" value="form"' in answer.text and "\nText.</textarea>" in answer.text


def test_comments_typed_in_the_text_survive_the_way_back_through_the_form(
    service: TestService, client: FlaskClient
) -> None:
    stored = note(service)
    text = stored.text.replace("+++\n", "+++\n# a remark\n", 1)
    path = f"/notes/{stored.id}/edit"
    page = sent(client, path, mode="text", text=text, revision=1, act="as-form").text
    hidden = re.search(r'<textarea name="text" hidden>\n(.*?)</textarea>', page, re.S)
    assert hidden
    sent(client, path, **{**KEPT, "title": "New"}, text=unescape(hidden[1]), revision=1)
    now = NoteShelf(service.store).get(stored.id)
    assert "# a remark" in now.text and now.title == "New"


def test_pages_ask_the_store_as_often_with_few_notes_as_with_many(
    service: TestService, client: FlaskClient
) -> None:
    first = note(service)
    paths = ("/notes", "/notes?q=text", f"/notes/{first.id}", f"/notes/{first.id}/edit")
    asked: list[str] = []
    event.listen(
        service.store.engine, "before_cursor_execute", lambda *given: asked.append(str(given[2]))
    )
    counts = []
    for _ in range(2):
        for path in paths:
            client.get(path)  # What lookups keep is read once after a change.
            asked.clear()
            assert client.get(path).status_code == 200
            counts.append(len(asked))
        for number in range(50):
            note(service, f"Plan {number}")
    assert counts[:4] == counts[4:] and max(counts) <= 20


def test_every_form_needs_its_key(service: TestService, client: FlaskClient) -> None:
    stored = note(service)
    for path in ("new", f"{stored.id}/edit", f"{stored.id}/delete", f"{stored.id}/restore"):
        answer = client.post(f"/notes/{path}", data={**KEPT, "revision": 1}, headers=OURS)
        assert answer.status_code == 403, path
    for path in ("preview", "drawing"):
        assert client.post(f"/notes/{path}", data=KEPT, headers=OURS).status_code == 403
    assert NoteShelf(service.store).get(stored.id).revision == 1


def _course(service: TestService) -> str:
    answer = service.client().post(
        "/api/repertoires?name=Course&side=white",
        data=CARLSBAD.encode(),
        content_type="application/x-chess-pgn",
    )
    assert answer.status_code in (200, 201, 202), answer.text
    from pawnlore.service.api.repertoires_at_hand import repertoires

    with service.app.app_context():
        repertoires().runner.wait()
        return str(repertoires().shelf.list()[0].id)


def test_moves_are_numbered_in_one_way_on_every_page(service: TestService) -> None:
    line = "d4 d5 c4 e6 Nc3 Nf6 cxd5 exd5 Bg5"
    stored = note(service, structure="carlsbad", model_line=f"1. {line}")
    client = service.client()
    shown = "1.d4 d5 2.c4 e6 3.Nc3 Nf6 4.cxd5 exd5 5.Bg5"
    assert f">{shown}</a>" in client.get(f"/notes/{stored.id}").text
    played = client.get("/look-up", query_string={"moves": line}).text
    assert " ".join(re.findall(r'<button class="quiet move"[^>]*>([^<]+)<', played)) == shown
    assert ">1.d4 d5 2.c4" in client.get("/structures/carlsbad").text
    # What the author wrote stays as it is.
    assert f"1. {line}" in stored.text


def test_students_read_what_is_published_and_nothing_else(service: TestService) -> None:
    shown, draft = note(service, "Shown"), note(service, "Hidden", published=False)
    header = bearer(service.link(_course(service)))
    client = service.client()
    listed = client.get("/notes", headers=header).text
    assert "Shown" in listed and "Hidden" not in listed
    for word in ("Edit", "Write a plan", "Drafts", "Deleted"):
        assert word not in listed
    assert "Hidden" not in client.get("/notes?state=drafts", headers=header).text
    page = client.get(f"/notes/{shown.id}", headers=header)
    assert page.status_code == 200
    for word in ("/edit", "revisions", "Delete", "Ysolde"):
        assert word not in page.text
    assert client.get(f"/notes/{draft.id}", headers=header).status_code == 404
    for path in ("/notes/new", f"/notes/{shown.id}/edit", f"/notes/{shown.id}/revisions"):
        assert client.get(path, headers=header).status_code == 403
    NoteShelf(service.store).delete(shown.id, expected_revision=1)
    assert client.get(f"/notes/{shown.id}", headers=header).status_code == 404


def test_who_may_read_only_is_shown_no_way_to_write(service: TestService) -> None:
    stored = note(service)
    header = bearer(service.token("read"))
    client = service.client()
    for path in ("/notes", f"/notes/{stored.id}", f"/notes/{stored.id}/revisions"):
        answer = client.get(path, headers=header)
        assert answer.status_code == 200
        assert "/edit" not in answer.text and "Restore" not in answer.text
    assert client.get(f"/notes/{stored.id}/edit", headers=header).status_code == 403


def test_hostile_words_are_shown_as_text(service: TestService, client: FlaskClient) -> None:
    stored = note(
        service,
        HOSTILE,
        body=f"{HOSTILE}\n\n[x](javascript:alert(1)) ![y](http://evil.example/y.png)",
        chapter=HOSTILE,
        when={"chapter": HOSTILE},
        structure="own/<b>x</b>",
    )
    NoteShelf(service.store).change(
        stored.id, stored.text.replace("alert", "more"), expected_revision=1, author=HOSTILE
    )
    for path in ("", "/edit", "/edit?as=text", "/revisions", "/revisions?from=2&to=1"):
        text = client.get(f"/notes/{stored.id}{path}").text
        assert "<script>" not in text and "<img" not in text and "<b>x" not in text
        assert 'href="javascript' not in text
    listed = client.get("/notes", query_string={"q": "<script>", "structure": HOSTILE}).text
    assert "<script>" not in listed and "<img" not in listed
    again = sent(client, "/notes/new", **{**KEPT, "title": HOSTILE, "squares": HOSTILE})
    assert "<script>" not in again.text and "<img" not in again.text
    made = sent(client, "/notes/preview", **{**KEPT, "body": HOSTILE}).json
    assert made is not None and "<script>" not in made["html"] and "<img" not in made["html"]


def test_an_arrow_is_written_as_a_move(client: FlaskClient) -> None:
    for arrow, moves, said in (
        ("b2b4", "b4", "b4 was added"),
        ("e8e7", "", "not White’s"),
        ("d5d6", "", "Nothing of White’s"),
        ("zz99", "", ""),
    ):
        fen = "4k3/pp3ppp/2p5/3p4/3P4/4P3/PP3PPP/1R2K3 w - - 0 20".replace("3p4", "8")
        drawn = sent(client, "/notes/drawing", **KEPT, fen=fen, arrow=arrow).json
        assert drawn is not None
        assert drawn["moves"] == moves and said in drawn["said"]
        assert drawn["svg"].startswith("<svg")
    second = sent(client, "/notes/drawing", **KEPT, fen=fen, moves="b4", arrow="b4b5").json
    assert second is not None and second["moves"] == "b4 b5"


def test_the_list_goes_on_page_by_page(service: TestService, client: FlaskClient) -> None:
    for number in range(45):
        note(service, f"Plan {number:02}")
    first = client.get("/notes")
    assert first.text.count("<h2") == 40 and len(first.data) < 100_000
    further = re.search(r'href="([^"]+)" rel="next"', first.text)
    assert further
    second = client.get(unescape(further[1])).text
    assert second.count("<h2") == 5 and "Plan 44" in second and 'rel="next"' not in second


def test_pages_of_a_note_stay_small(service: TestService, client: FlaskClient) -> None:
    stored = note(service, body="A sentence of the plan, like many others.\n\n" * 100)
    for path in ("", "/edit", "/revisions"):
        assert len(client.get(f"/notes/{stored.id}{path}").data) < 100_000


WORDS = st.one_of(st.text(max_size=60), st.sampled_from(["+++", HOSTILE, "\0", "\ud800", "9" * 50]))


@settings(max_examples=30)
@given(
    st.dictionaries(
        st.sampled_from(
            [
                *KEPT,
                "squares",
                "moves",
                "when_from",
                "when_to",
                "when_pawns_white",
                "when_file_e",
                "model_line",
                "fen",
                "revision",
                "draft",
                "text",
                "bishops",
                "act",
                "arrow",
            ]
        ),
        WORDS,
    ),
    st.sampled_from(["new", "preview", "drawing", "edit"]),
)
def test_anything_can_be_typed(
    module_service: tuple[TestService, str], given_: dict[str, str], where: str
) -> None:
    service, id = module_service
    client = service.client()
    # What a form sends is UTF-8: half of a character pair cannot be sent at all.
    data = {name: text.encode("utf-8", "replace").decode() for name, text in given_.items()}
    path = f"/notes/{id}/edit" if where == "edit" else f"/notes/{where}"
    answer = sent(client, path, **{**KEPT, **data})
    assert answer.status_code < 500
    shown = answer.json["html"] if where == "preview" and answer.is_json else answer.text
    if where != "drawing":
        assert "<script>alert" not in shown


@pytest.fixture(scope="module")
def module_service(
    tmp_path_factory: pytest.TempPathFactory,
) -> Iterator[tuple[TestService, str]]:
    made = make_service(tmp_path_factory.mktemp("notes"))
    yield made, note(made).id
    made.store.close()


@pytest.mark.parametrize(
    "query",
    ["q=" + "x" * 5000, "structure=%00", "after=-1", "after=9999999999999", "state=x", "q=%ff%fe"],
)
def test_any_address_is_answered(module_service: tuple[TestService, str], query: str) -> None:
    assert module_service[0].client().get(f"/notes?{query}").status_code < 500


def _typed(page: str, name: str) -> str:
    found = re.search(rf'<textarea id="{name}".*?>\n(.*?)</textarea>', page, re.S)
    assert found
    return unescape(found[1])
