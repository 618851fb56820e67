"""The API by hand: verdicts, plans, structures, notes, paging, ETags, forms, access."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from flask.testing import FlaskClient
from running_services import TestService, bearer, make_service
from werkzeug.test import TestResponse

from pawnlore.models.classifier import shipped_classifier
from pawnlore.service.api.etags import matched_revision
from pawnlore.service.api.problems import CONTENT_TYPE, Problem
from pawnlore.service.api.repertoires_at_hand import repertoires
from pawnlore.service.api.values import VERDICT_COLUMNS
from pawnlore.service.commands.classify import COLUMNS
from pawnlore.service.settings import ServiceLimits
from pawnlore.service.store.label_shelf import LabelShelf
from pawnlore.service.store.note_shelf import NoteShelf
from pawnlore.structures.skeleton import pack, skeleton_from_fen

EXCHANGE = "r1bq1rk1/pp1nbppp/2p2n2/3p2B1/3P4/2NBPN2/PPQ2PPP/R4RK1 w - - 3 10"
TURNED = "r4rk1/ppq2ppp/2nbpn2/3p4/3P2b1/2P2N2/PP1NBPPP/R1BQ1RK1 b - - 3 10"


def note(title: str = "Minority attack", body: str = "b4 and b5.", when: str = "") -> str:
    line = f"when = {{ {when} }}\n" if when else ""
    return (
        f'+++\nstructure = "carlsbad"\nholder = "white"\nside = "holder"\ntitle = "{title}"\n'
        f"{line}+++\n{body}\n"
    )


@pytest.fixture
def service(tmp_path: Path) -> Iterator[TestService]:
    made = make_service(tmp_path, limits=ServiceLimits(batch_rows=3000))
    yield made
    made.store.close()


@pytest.fixture
def client(service: TestService) -> FlaskClient:
    return service.client()


def good(answer: TestResponse, status: int = 200) -> Any:
    assert answer.status_code == status, answer.get_data(as_text=True)
    return json.loads(answer.get_data())


def problem(answer: TestResponse, status: int) -> Any:
    assert answer.content_type == CONTENT_TYPE
    return good(answer, status)


def plans(client: FlaskClient, fen: str = EXCHANGE, **more: str) -> Any:
    return good(client.get("/api/plans", query_string={"fen": fen, **more}))


def create(client: FlaskClient, text: str, **more: Any) -> Any:
    return good(client.post("/api/notes", json={"text": text, **more}), 201)


# Classify ------------------------------------------------------------------


def test_one_position(client: FlaskClient) -> None:
    found = good(client.get("/api/classify", query_string={"fen": EXCHANGE}))
    assert (found["structure"], found["holder"], found["core"]) == ("carlsbad", "white", True)
    assert found["decided_by"] == "core"
    assert "explanation" not in found


def test_why_a_verdict(client: FlaskClient) -> None:
    query = {"fen": EXCHANGE, "explain": "true"}
    found = good(client.get("/api/classify", query_string=query))["explanation"]
    assert {"side": "white", "square": "d4"}.items() <= found["for"][0].items() or found["for"]
    assert found["nearest"]["structure"] == "carlsbad"


def test_a_batch_keeps_order_and_names_what_is_bad(client: FlaskClient) -> None:
    fens = [EXCHANGE, "nonsense", TURNED, "", "8/8\n8/8"]
    rows = good(client.post("/api/classify", json={"fens": fens}))["items"]
    assert [row.get("holder") for row in rows] == ["white", None, "black", None, None]
    assert [bool(row.get("error")) for row in rows] == [False, True, False, True, True]


def test_the_columns_are_those_of_the_command(client: FlaskClient) -> None:
    assert VERDICT_COLUMNS == COLUMNS
    answer = client.post(
        "/api/classify?format=csv", data=f"{EXCHANGE}\nx\n", content_type="text/plain"
    )
    rows = list(csv.reader(io.StringIO(answer.get_data(as_text=True))))
    assert tuple(rows[0]) == COLUMNS
    position, structure, holder, probability, core = rows[1][:5]
    assert (position, structure, holder, core) == (EXCHANGE, "carlsbad", "white", "yes")
    # The command gives the same digits; what they are is the trained model's affair.
    skeleton = skeleton_from_fen(EXCHANGE)
    verdict = shipped_classifier().classify(pack([skeleton]))[0]
    assert probability == f"{verdict.probability:.4f}"
    assert rows[2][0] == "x" and rows[2][-1]


def test_json_lines_of_a_long_batch_are_streamed(client: FlaskClient) -> None:
    answer = client.post(
        "/api/classify",
        data="\n".join([EXCHANGE] * 2500),
        content_type="text/plain",
        headers={"Accept": "application/jsonl"},
    )
    assert answer.is_streamed
    lines = answer.get_data(as_text=True).splitlines()
    assert len(lines) == 2500
    assert {json.loads(line)["structure"] for line in lines} == {"carlsbad"}


@pytest.mark.parametrize("form", ["json", "text"])
def test_a_batch_that_is_too_long_is_refused(client: FlaskClient, form: str) -> None:
    fens = ["8/8/8/8/8/8/8/8"] * 3001
    if form == "json":
        answer = client.post("/api/classify", json={"fens": fens})
    else:
        answer = client.post("/api/classify", data="\n".join(fens), content_type="text/plain")
    assert problem(answer, 413)["type"] == "/problems/too-large"


def test_the_authors_label_decides_first(service: TestService, client: FlaskClient) -> None:
    assert plans(client)["verdict"]["structure"] == "carlsbad"
    LabelShelf(service.store).put(skeleton_from_fen(EXCHANGE), "own/march", "white")
    for fen, holder in ((EXCHANGE, "white"), (TURNED, "black")):
        verdict = plans(client, fen)["verdict"]
        assert (verdict["structure"], verdict["holder"]) == ("own/march", holder)
        assert (verdict["decided_by"], verdict["second"]) == ("label", "carlsbad")
        row = good(client.post("/api/classify", json={"fens": [fen]}))["items"][0]
        assert (row["structure"], row["decided_by"]) == ("own/march", "label")


# Plans ---------------------------------------------------------------------


def test_plans_bring_the_most_specific_first(client: FlaskClient) -> None:
    create(client, note("wide"))
    create(client, note("narrow", when='queens = "on"'))
    create(client, note("other", when='queens = "off"'))
    found = plans(client)
    assert [one["title"] for one in found["notes"]] == ["narrow", "wide"]
    assert found["notes"][0]["reason"] == "carlsbad held by White; queens are on"
    assert all(one["authors"] for one in found["notes"])
    assert found["next_best"] == []


def test_a_chapter_may_be_asked_for(client: FlaskClient) -> None:
    create(client, note(when='chapter = "Exchange"'))
    assert plans(client)["notes"] == []
    assert len(plans(client, chapter="Exchange")["notes"]) == 1


def test_the_next_best_is_marked(client: FlaskClient) -> None:
    create(client, note(body="Only for White."))
    found = plans(client, TURNED)
    assert found["notes"] == []
    kinds = [one["kind"] for one in found["next_best"]]
    assert kinds == ["colours-reversed", "catalogue", "catalogue"]
    assert not any(one["authors"] for one in found["next_best"])
    assert found["next_best"][0]["note"]["plan_of"] == "black"


def test_plans_follow_every_change_of_the_notes(client: FlaskClient) -> None:
    assert plans(client)["notes"] == []
    made = create(client, note("one"))
    address = f"/api/notes/{made['id']}"
    assert [one["title"] for one in plans(client)["notes"]] == ["one"]
    client.put(address, json={"text": note("two")}, headers={"If-Match": '"r1"'})
    assert [(one["title"], one["revision"]) for one in plans(client)["notes"]] == [("two", 2)]
    client.delete(address, headers={"If-Match": '"r2"'})
    assert plans(client)["notes"] == []


def test_a_lookup_reads_no_notes_while_nothing_changes(
    service: TestService, client: FlaskClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    create(client, note())
    plans(client)

    def fail(*_: object, **__: object) -> None:
        raise AssertionError("the notes were read again")

    monkeypatch.setattr(NoteShelf, "list", fail)
    assert len(plans(client)["notes"]) == 1


def test_markdown_comes_as_html_without_scripts(client: FlaskClient) -> None:
    create(client, note(body="*b4* <script>alert(1)</script> [x](javascript:alert(1)) ![p](//h/i)"))
    html = plans(client)["notes"][0]["html"]
    assert "<em>b4</em>" in html
    assert "<script" not in html and "href" not in html and "<img" not in html


# Structures and the model --------------------------------------------------


def test_structures(service: TestService, client: FlaskClient) -> None:
    listed = good(client.get("/api/structures"))["items"]
    assert len(listed) == len({one["id"] for one in listed}) > 60
    full = good(client.get("/api/structures/carlsbad"))
    assert "b5" in full["plans"]["holder"]["sections"][0]["text"]
    assert all(one["definition"] for one in listed)
    problem(client.get("/api/structures/nothing"), 404)


def test_the_model_in_use_and_what_it_remembered(client: FlaskClient) -> None:
    for _ in range(3):
        plans(client)
    found = good(client.get("/api/model"))
    assert len(found["digest"]) == 64
    assert (found["asked"], found["remembered"]) == (3, 2)


# Notes ---------------------------------------------------------------------


def test_a_note_comes_back_unchanged(client: FlaskClient) -> None:
    text = note(body="Line one\r\n\r\nÜ ♟ **b5**\t").replace("+++\nstructure", "+++ \nstructure")
    answer = client.post("/api/notes", json={"text": text, "name": "b4.md"})
    made = good(answer, 201)
    assert answer.headers["ETag"] == '"r1"'
    read = client.get(answer.headers["Location"])
    assert good(read) == made
    assert (made["text"], made["name"], made["published"]) == (text, "b4.md", True)


def test_the_newest_need_not_be_sent_again(client: FlaskClient) -> None:
    address = f"/api/notes/{create(client, note())['id']}"
    assert client.get(address, headers={"If-None-Match": '"r1"'}).status_code == 304
    assert client.get(address, headers={"If-None-Match": '"r0"'}).status_code == 200


def test_two_authors_and_one_note_lose_nothing(client: FlaskClient) -> None:
    address = f"/api/notes/{create(client, note('first'))['id']}"
    mine, yours = note("mine"), note("yours")
    first = client.put(address, json={"text": mine}, headers={"If-Match": '"r1"'})
    assert good(first)["revision"] == 2
    answer = client.put(address, json={"text": yours}, headers={"If-Match": '"r1"'})
    found = problem(answer, 412)
    assert (found["type"], answer.headers["ETag"]) == ("/problems/stale", '"r2"')
    assert (found["yours"], found["theirs"]["text"]) == (yours, mine)
    aside = good(client.get(f"{address}/set-aside"))["items"]
    assert [(one["expected"], one["text"]) for one in aside] == [(1, yours)]
    assert good(client.get(address))["text"] == mine


@pytest.mark.parametrize("method", ["PUT", "DELETE"])
def test_a_change_must_say_what_it_changes(client: FlaskClient, method: str) -> None:
    address = f"/api/notes/{create(client, note())['id']}"
    body = {"json": {"text": note()}} if method == "PUT" else {}
    found = problem(client.open(address, method=method, **body), 428)
    assert found["type"] == "/problems/precondition-required"
    problem(client.open(address, method=method, headers={"If-Match": "r1"}, **body), 400)
    problem(client.open(address, method=method, headers={"If-Match": 'W/"r1"'}, **body), 412)


def test_delete_and_restore(client: FlaskClient) -> None:
    address = f"/api/notes/{create(client, note('one'))['id']}"
    client.put(address, json={"text": note("two")}, headers={"If-Match": '"r1"'})
    assert good(client.delete(address, headers={"If-Match": "*"}))["deleted"]
    problem(client.get(address), 404)
    assert good(client.get("/api/notes"))["items"] == []
    assert len(good(client.get("/api/notes?deleted=true"))["items"]) == 1
    answer = client.post(f"{address}/restore", json={"revision": 1}, headers={"If-Match": '"r3"'})
    assert (good(answer)["title"], answer.headers["ETag"]) == ("one", '"r4"')
    revisions = good(client.get(f"{address}/revisions"))["items"]
    assert [one["what"] for one in revisions] == ["created", "changed", "deleted", "restored"]
    assert [one["text"] for one in revisions][:2] == [note("one"), note("two")]
    wanted = {"revision": 9}
    problem(client.post(f"{address}/restore", json=wanted, headers={"If-Match": '"r4"'}), 404)


def test_search_finds_all_words_in_any_case(client: FlaskClient) -> None:
    create(client, note("Rook lift", "The Rook goes to the third rank. 100%"))
    create(client, note("Break", "Play e4."))
    for words, count in (("rook RANK", 1), ("e4", 1), ("carlsbad", 2), ("%", 1), ("knight", 0)):
        found = good(client.get("/api/notes", query_string={"q": words}))["items"]
        assert len(found) == count, words
    assert good(client.get("/api/notes?structure=hedgehog"))["items"] == []


def test_pages_hold_every_note_once(client: FlaskClient) -> None:
    made = [create(client, note(f"note {number}"))["id"] for number in range(7)]
    seen: list[str] = []
    address = "/api/notes?limit=3"
    cursor: str | None = ""
    while cursor is not None:
        part = good(client.get(address + (f"&cursor={cursor}" if cursor else "")))
        seen += [one["id"] for one in part["items"]]
        cursor = part["next"]
    assert seen == made
    table = client.get("/api/notes?limit=3&format=csv").get_data(as_text=True)
    assert len(table.splitlines()) == 8


def test_what_is_wrong_with_a_note_is_told_in_full(client: FlaskClient) -> None:
    text = '+++\nstructure = "carlsbat"\nholder = "w"\nside = "holder"\n+++\n'
    found = problem(client.post("/api/notes", json={"text": text}), 422)
    assert len(found["errors"]) == 4
    assert good(client.get("/api/notes"))["items"] == []


@pytest.mark.parametrize(
    ("body", "words"),
    [
        ({}, "text is missing"),
        ({"text": 1}, "must be a text"),
        ({"text": "x", "publish": True}, "no field 'publish'"),
        ({"text": "x", "published": "yes"}, "true or false"),
        ([], "must be a JSON object"),
    ],
)
def test_a_body_of_the_wrong_form(client: FlaskClient, body: Any, words: str) -> None:
    assert words in problem(client.post("/api/notes", json=body), 400)["detail"]


@pytest.mark.parametrize(
    ("address", "status"),
    [
        ("/api/notes?limit=0", 400),
        ("/api/notes?cursor=-1", 400),
        ("/api/notes?limit=1&limit=2", 400),
        ("/api/notes?deleted=perhaps", 400),
        ("/api/notes?q=" + "x" * 201, 400),
        ("/api/notes?query=x", 400),
        ("/api/plans", 400),
        ("/api/plans?fen=8/8", 422),
        ("/api/classify?fen=" + "8" * 5000, 400),
        ("/api/notes/%00", 404),
        ("/api/notes/" + "x" * 5000, 404),
        ("/api/nothing", 404),
        ("/api/notes?format=xml", 400),
    ],
)
def test_every_error_is_a_problem(client: FlaskClient, address: str, status: int) -> None:
    problem(client.get(address), status)


def test_forms_that_cannot_be_given(client: FlaskClient) -> None:
    for address in ("/api/notes", "/api/model", "/api/openapi.json"):
        problem(client.get(address, headers={"Accept": "image/png"}), 406)


@pytest.mark.parametrize(
    ("text", "current", "meant"),
    [
        ('"r1"', 1, 1),
        ('"r1","r2"', 2, 2),
        (' "r7" , ', 3, 7),
        ('"other"', 3, 0),
        ('W/"r3"', 3, 0),
        ("*", 5, 5),
        ('"r99999999999"', 3, 0),
    ],
)
def test_if_match_as_rfc_9110_has_it(text: str, current: int, meant: int) -> None:
    assert matched_revision(text, current) == meant


@pytest.mark.parametrize("text", ["r1", '"r1', '"r1" "r2"', '"a" * 2', "x" * 2000])
def test_if_match_that_is_none(text: str) -> None:
    with pytest.raises(Problem):
        matched_revision(text, 1)


# Labels --------------------------------------------------------------------


def label(client: FlaskClient, fen: str = TURNED, holder: str = "black") -> TestResponse:
    body = {"fen": fen, "structure": "own/march", "holder": holder, "reason": "b4 comes"}
    return client.post("/api/labels", json=body)


def test_a_label_decides_and_stands_as_it_was_given(client: FlaskClient) -> None:
    answer = label(client)
    made = good(answer, 201)
    assert (made["fen"], made["holder"], answer.headers["ETag"]) == (TURNED, "black", '"r1"')
    assert plans(client, EXCHANGE)["verdict"]["holder"] == "white"
    assert plans(client, TURNED)["verdict"]["decided_by"] == "label"
    assert good(client.get("/api/labels"))["items"] == [made]
    assert "own/march" in client.get("/api/labels?format=csv").get_data(as_text=True)


def test_the_same_pawns_are_labelled_once(client: FlaskClient) -> None:
    made = good(label(client), 201)
    answer = label(client, EXCHANGE, "white")
    problem(answer, 409)
    assert answer.headers["Location"] == f"/api/labels/{made['id']}"


def test_a_label_is_changed_only_where_it_is_the_one_that_was_read(client: FlaskClient) -> None:
    address = f"/api/labels/{good(label(client), 201)['id']}"
    body = {"structure": "carlsbad", "holder": "black"}
    problem(client.put(address, json=body), 428)
    changed = good(client.put(address, json=body, headers={"If-Match": '"r1"'}))
    assert (changed["revision"], changed["structure"], changed["holder"]) == (
        2,
        "carlsbad",
        "black",
    )
    found = problem(client.put(address, json=body, headers={"If-Match": '"r1"'}), 412)
    assert found["current"] == changed
    problem(client.delete(address, headers={"If-Match": '"r1"'}), 412)
    assert client.delete(address, headers={"If-Match": '"r2"'}).status_code == 204
    problem(client.get(address), 404)
    assert plans(client, TURNED)["verdict"]["decided_by"] == "core"


def test_what_a_label_said_before_is_told_and_can_be_said_again(client: FlaskClient) -> None:
    made = good(label(client), 201)
    address = f"/api/labels/{made['id']}"
    assert good(client.get("/api/former-labels")) == {"items": [], "next": None}
    other = {"structure": "carlsbad", "holder": "black"}
    good(client.put(address, json=other, headers={"If-Match": '"r1"'}))
    client.delete(address, headers={"If-Match": '"r2"'})
    first = good(client.get("/api/former-labels?limit=1"))
    (gone,) = first["items"]
    assert (gone["structure"], gone["replaced"], gone["revision"]) == ("carlsbad", False, 2)
    (was,) = good(client.get(f"/api/former-labels?limit=1&cursor={first['next']}"))["items"]
    assert was["label"] == made["id"] and was["replaced"]
    for name in ("fen", "structure", "holder", "reason", "author", "changed"):
        assert was[name] == made[name]
    rows = client.get("/api/former-labels?format=csv").get_data(as_text=True).splitlines()
    assert rows[0].startswith("number,label,revision,fen,") and len(rows) == 3
    again = {name: was[name] for name in ("fen", "structure", "holder", "reason")}
    said = good(client.post("/api/labels", json=again), 201)
    assert {name: said[name] for name in again} == again


@pytest.mark.parametrize(
    ("change", "status"),
    [
        ({"fen": "8/8"}, 422),
        ({"structure": "carlsbat"}, 400),
        ({"holder": "us"}, 400),
        ({"structure": "unsettled"}, 422),
        ({"structure": "own/"}, 400),
    ],
)
def test_a_label_that_cannot_be_kept(
    client: FlaskClient, change: dict[str, str], status: int
) -> None:
    body = {"fen": EXCHANGE, "structure": "carlsbad", "holder": "white", **change}
    problem(client.post("/api/labels", json=body), status)
    assert good(client.get("/api/labels"))["items"] == []


# Access --------------------------------------------------------------------


def test_a_student_sees_what_is_published_and_no_more(service: TestService) -> None:
    author = service.client()
    shown = create(author, note("shown"))
    draft = create(author, note("draft"), published=False)
    LabelShelf(service.store).put(skeleton_from_fen(EXCHANGE), "carlsbad", "white")
    student = service.client()
    headers = bearer(service.link(_repertoire(service)))

    def get(address: str, **query: str) -> TestResponse:
        return student.get(address, query_string=query, headers=headers)

    assert [one["title"] for one in good(get("/api/plans", fen=EXCHANGE))["notes"]] == ["shown"]
    assert "decided_by" not in good(get("/api/plans", fen=EXCHANGE))["verdict"]
    assert "decided_by" not in good(get("/api/classify", fen=EXCHANGE))
    assert [one["id"] for one in good(get("/api/notes"))["items"]] == [shown["id"]]
    assert good(get(f"/api/notes/{shown['id']}"))["title"] == "shown"
    problem(get(f"/api/notes/{draft['id']}"), 404)
    for address in (
        "/api/notes?deleted=true",
        f"/api/notes/{shown['id']}/revisions",
        f"/api/notes/{shown['id']}/set-aside",
        "/api/model",
        "/api/labels",
    ):
        problem(student.get(address, headers=headers), 403)
    problem(student.post("/api/notes", json={"text": note()}, headers=headers), 403)


def test_a_token_to_read_does_not_write(service: TestService) -> None:
    client = service.client()
    headers = bearer(service.token("read"))
    assert good(client.get("/api/notes", headers=headers))["items"] == []
    problem(client.post("/api/notes", json={"text": note()}, headers=headers), 403)
    body = {"fens": [EXCHANGE]}
    assert good(client.post("/api/classify", json=body, headers=headers))["items"]


def _repertoire(service: TestService) -> str:
    """The id of a repertoire whose line comes to the Carlsbad structure, for a link opens one."""
    game = b"1. d4 d5 2. c4 e6 3. Nc3 Nf6 4. cxd5 exd5 5. Bg5 Be7 6. e3 O-O 7. Bd3 Nbd7 *"
    client = service.client()
    kind = "application/vnd.chess-pgn"
    begun = good(client.post("/api/repertoires", data=game, content_type=kind), 202)
    with service.app.app_context():
        repertoires().runner.wait()
    job = good(client.get(f"/api/jobs/{begun['job']['id']}"))
    return str(job["result"]["repertoire"])
