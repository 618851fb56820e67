"""The pages of teaching without a browser: rights, files, faults, two authors, hostile words."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from html import unescape
from pathlib import Path

import pytest
from flask.testing import FlaskClient
from page_forms import form_key
from running_services import TestService, bearer, make_service
from werkzeug.test import TestResponse

from pawnlore.service.diagram_marks import Mark
from pawnlore.service.pages.family_view import common_view, condition_of
from pawnlore.service.pages.question_view import question_view
from pawnlore.service.store.family_shelf import FamilyShelf, GivenExample
from pawnlore.service.store.label_shelf import LabelShelf
from pawnlore.structures.position_check import skeleton_of_line

OURS = {"Origin": "http://localhost"}
BROWSER = {"Accept": "text/html", **OURS}
FEN = "r1bq1rk1/pp2bppp/2n1pn2/3p4/2PP4/2N2N2/PP2BPPP/R1BQ1RK1 w - - 0 9"
MIRROR = "r1bq1rk1/pp2bppp/2n2n2/2pp4/3P4/2N1PN2/PP2BPPP/R1BQ1RK1 b - - 0 9"
HOSTILE = "<script>alert('&')</script> {{ 7*7 }} \u202eevil"
MOST_BYTES = 100_000


@pytest.fixture
def service(tmp_path: Path) -> Iterator[TestService]:
    made = make_service(tmp_path)
    yield made
    made.store.close()


@pytest.fixture
def client(service: TestService) -> FlaskClient:
    return service.client()


def send(client: FlaskClient, path: str, key: str = "/teach/labels", **fields: str) -> TestResponse:
    fields["form_key"] = form_key(client, key)
    return client.post(path, data=fields, headers=BROWSER)


def keep(client: FlaskClient, **fields: str) -> TestResponse:
    given = {"act": "keep", "fen": FEN, "structure": "hanging-pawns", "holder": "white"}
    return send(client, "/teach/label", **{**given, **fields})


def take_in(client: FlaskClient, data: bytes) -> TestResponse:
    fields = {
        "form_key": form_key(client, "/teach/labels"),
        "labels": (io.BytesIO(data), "labels.epd"),
    }
    return client.post("/teach/labels/import", data=fields, headers=BROWSER)


# --- Labels.


def test_a_label_holds_for_the_pawns_and_their_mirror(
    service: TestService, client: FlaskClient
) -> None:
    answer = keep(client, reason="they will hang", next="/look-up?fen=x#label")
    assert (answer.status_code, answer.headers["Location"]) == (303, "/look-up?fen=x#label")
    assert "You labelled these pawns" in client.get("/look-up", query_string={"fen": FEN}).text
    mirror = client.get("/look-up", query_string={"fen": MIRROR}).text
    assert "You labelled these pawns" in mirror
    assert "Hanging pawns, Black’s" in mirror
    (stored,) = LabelShelf(service.store).list()
    assert (stored.structure, stored.reason, stored.revision) == (
        "hanging-pawns",
        "they will hang",
        1,
    )


def test_no_structure_and_shared_ones_belong_to_nobody_in_particular(
    service: TestService, client: FlaskClient
) -> None:
    assert keep(client, structure="unsettled", holder="black").status_code == 303
    assert LabelShelf(service.store).list()[0].holder == "both"
    assert keep(client, structure="open-centre", revision="1").status_code == 303
    assert LabelShelf(service.store).list()[0].holder == "both"


@pytest.mark.parametrize(
    "fields",
    [
        {"structure": "nothing-known"},
        {"structure": ""},
        {"structure": "own/Not An Id"},
        {"structure": HOSTILE},
        {"holder": "grey"},
        {"holder": ""},
        {"reason": "x" * 10_001},
        {"reason": "nul\0"},
    ],
)
def test_what_is_no_label_is_told_and_what_was_typed_stays(
    service: TestService, client: FlaskClient, fields: dict[str, str]
) -> None:
    answer = keep(client, **{"reason": "typed & kept", **fields})
    assert answer.status_code == 422
    assert 'role="alert"' in answer.text and "<script>alert" not in answer.text
    if "reason" not in fields:
        assert "typed &amp; kept" in answer.text
    assert not LabelShelf(service.store).list()


@pytest.mark.parametrize("fen", ["", "nonsense", "9/8/8/8/8/8/8/8", "x" * 300, HOSTILE])
def test_a_position_that_is_none_is_told(client: FlaskClient, fen: str) -> None:
    assert keep(client, fen=fen).status_code == 422
    shown = client.get("/teach/label", query_string={"fen": fen}, headers=BROWSER)
    assert shown.status_code == 422 and "<script>alert" not in shown.text


def test_two_authors_do_not_overwrite_each_other(service: TestService, client: FlaskClient) -> None:
    assert keep(client).status_code == 303
    late = keep(service.client(), structure="carlsbad", reason="mine", revision="0")
    assert late.status_code == 422
    assert "in the meantime" in late.text and "Hanging pawns" in late.text and "mine" in late.text
    assert LabelShelf(service.store).list()[0].structure == "hanging-pawns"
    # With what is shown now, the second one may decide.
    assert keep(client, structure="carlsbad", revision="1").status_code == 303
    stale = keep(client, act="undo", revision="1")
    assert stale.status_code == 409 and len(LabelShelf(service.store).list()) == 1
    assert keep(client, act="undo", revision="2").status_code == 303
    assert not LabelShelf(service.store).list()
    assert keep(client, act="undo", revision="2").status_code == 303


def test_what_was_taken_away_can_be_put_back(client: FlaskClient) -> None:
    keep(client, reason="because & so")
    gone = keep(client, act="undo", revision="1", next="again")
    page = client.get(gone.headers["Location"]).text
    assert "The label was taken away" in page and "because &amp; so" in page
    assert re.search(r'<option value="hanging-pawns" selected>', page)


def test_what_was_replaced_is_said_again_by_one_press(
    service: TestService, client: FlaskClient
) -> None:
    assert "former label" not in client.get("/teach/labels").text
    assert "No label was replaced" in client.get("/teach/labels/former").text
    keep(client, reason=HOSTILE)
    keep(client, structure="carlsbad", revision="1")
    assert "1 former label" in client.get("/teach/labels").text
    for path in ("/teach/labels/former", f"/teach/label?fen={FEN}"):
        page = client.get(path).text
        assert "Hanging pawns" in page and "replaced" in page and "<script>alert" not in page
        assert "Say it again" in page
    fields = re.findall(r'name="(\w+)" value="([^"]*)"', page.partition('id="former"')[2])
    given = {name: unescape(value) for name, value in fields}
    assert (given["act"], given["revision"]) == ("again", "2")
    del given["form_key"]
    assert send(client, "/teach/label", **{**given, "former": "77"}).status_code == 404
    assert send(client, "/teach/label", **given).status_code == 303
    (now,) = LabelShelf(service.store).list()
    assert (now.structure, now.reason, now.revision) == ("hanging-pawns", HOSTILE, 3)
    page = client.get("/teach/labels/former").text
    assert "It stands again." in page and page.count("Say it again") == 1
    # Pressed once more it comes too late, and is told so.
    assert "in the meantime" in send(client, "/teach/label", **given).text


def test_going_on_leads_nowhere_else(client: FlaskClient) -> None:
    for number, address in enumerate(("//evil.example", "https://evil.example", "/\\evil")):
        answer = keep(client, next=address, revision=str(number))
        assert answer.headers["Location"] == "/teach/labels"


def test_labels_leave_and_return_as_a_file(service: TestService, client: FlaskClient) -> None:
    keep(client, reason='said "so"; twice')
    file = client.get("/teach/labels.epd")
    assert file.content_type.startswith("text/plain")
    assert "attachment" in file.headers["Content-Disposition"]
    (before,) = LabelShelf(service.store).list()
    LabelShelf(service.store).delete(before.id)
    answer = take_in(client, file.data)
    assert answer.status_code == 303
    assert "1 new, 0 changed" in client.get(answer.headers["Location"]).text
    (after,) = LabelShelf(service.store).list()
    assert (after.structure, after.holder, after.skeleton) == (
        before.structure,
        before.holder,
        before.skeleton,
    )
    again = take_in(client, file.data)
    assert "0 new, 0 changed, 1 as they were" in client.get(again.headers["Location"]).text


def test_a_bad_file_is_refused_whole_with_every_line_named(
    service: TestService, client: FlaskClient
) -> None:
    good = '8/8/4p3/3p4/3P4/8/8/8 w - - c0 "carlsbad"; c1 "white";'
    lines = [good, "nonsense", good.replace("carlsbad", HOSTILE.replace('"', "")), good + " c0"]
    answer = take_in(client, "\n".join(lines).encode())
    assert answer.status_code == 422
    assert "line 2" in answer.text and "line 3" in answer.text and "line 1:" not in answer.text
    assert "<script>alert" not in answer.text
    assert not LabelShelf(service.store).list()
    many = take_in(client, "\n".join(["nonsense"] * 5_000).encode())
    assert many.status_code == 422 and "5,000 lines" in many.text and "line 1:" in many.text
    assert len(many.data) < MOST_BYTES
    for data in (b"", b"\xff\xfe\x00", b"#\n"):
        assert take_in(client, data).status_code == 422


def test_many_labels_are_searched_and_turned_over(
    service: TestService, client: FlaskClient
) -> None:
    shelf = LabelShelf(service.store)
    for number in range(300):
        white, black = 1 << 8 | number << 16, 1 << 52
        shelf.put((white, black), "carlsbad", "white", reason=f"reason {number} {HOSTILE}")
    first = client.get("/teach/labels")
    assert len(first.data) < MOST_BYTES and "Page 1 of 8" in first.text
    found = client.get("/teach/labels", query_string={"words": "REASON 123 script"})
    assert "1 label with these words" in found.text and "<script>alert" not in found.text
    assert "No label has these words" in client.get("/teach/labels?words=quux").text


def test_two_statements_on_the_same_pawns_stand_side_by_side(
    service: TestService, client: FlaskClient
) -> None:
    families = FamilyShelf(service.store)
    families.add("own/clamp", HOSTILE.replace("\u202e", ""))
    families.put_examples("own/clamp", [GivenExample(skeleton_of_line(FEN), "white", FEN)])
    keep(client)
    page = client.get("/teach/labels").text
    assert "What contradicts itself" in page and "Label: Hanging pawns" in page
    assert "Example: &lt;script&gt;" in page and "<script>alert" not in page


# --- Who may.


def test_readers_look_and_change_nothing(tmp_path: Path) -> None:
    made = make_service(tmp_path / "rights", sign_in=True)
    writer, reader = bearer(made.token()), bearer(made.token("read", "reader"))
    client = made.client()
    FamilyShelf(made.store).add("own/clamp", "Clamp")
    for path in ("/teach/labels", "/teach/families", "/teach/families/own/clamp"):
        assert client.get(path).status_code == 401
        read = client.get(path, headers=reader)
        assert read.status_code == 200 and 'method="post" action="/teach' not in read.text
        assert 'method="post" action="/teach' in client.get(path, headers=writer).text
    assert client.get("/teach/next", headers=reader).status_code == 403
    for path in ("/teach/label", "/teach/labels/import", "/teach/families", "/teach/next"):
        assert client.post(path, headers={**reader, **OURS}, data={"fen": FEN}).status_code == 403
    look_up = client.get("/look-up", query_string={"fen": FEN}, headers=reader).text
    assert "Correct the verdict" not in look_up
    made.store.close()


def test_forms_without_their_key_change_nothing(service: TestService, client: FlaskClient) -> None:
    form = {"fen": FEN, "structure": "carlsbad", "holder": "white", "act": "keep"}
    for path in ("/teach/label", "/teach/families", "/teach/next", "/teach/labels/import"):
        assert client.post(path, data=form, headers=BROWSER).status_code == 403
    assert not LabelShelf(service.store).list()


# --- Families.


def test_a_family_from_name_to_correction(service: TestService, client: FlaskClient) -> None:
    name = HOSTILE.replace("\u202e", "")
    made = send(client, "/teach/families", "/teach/families", name=name, short="clamp")
    assert made.headers["Location"] == "/teach/families/own/clamp"
    path = "/teach/families/own/clamp"
    # With colours reversed it cannot be White's as well.
    both = send(client, path, path, act="add", kind="white", fens=f"{FEN}\n\n{MIRROR}\n")
    assert both.status_code == 422 and "has the same pawns as" in both.text
    for kind, fen in (("white", FEN), ("black", MIRROR)):
        added = send(client, path, path, act="add", kind=kind, fens=fen)
        assert added.status_code == 303
    page = client.get(path).text
    assert "<script>alert" not in page and "It is believed that" in page
    # The mirror is the same pawns, so that the later one counts.
    assert "1 example," in page
    trait = re.search(r'name="text" value="([^"]+)"', page)
    assert trait is not None
    send(client, path, path, act="free", text=trait[1])
    send(client, path, path, act="must", side="own", asks="pawn", where="d4")
    stored = FamilyShelf(service.store).get("own/clamp")
    assert "own d4" in stored.must and (stored.free == (trait[1],) or trait[1] == "own d")
    send(client, path, path, act="take-back", text="own d4")
    assert FamilyShelf(service.store).get("own/clamp").must == ()
    send(client, path, path, act="must", side="own", asks="pawn", where="a7")
    assert "1 of 1 example lacks what you said must be" in client.get(path).text
    both = send(client, path, path, act="must", side="own", asks="pawn", where="a6")
    assert both.status_code == 422 and "take one back" in both.text
    assert FamilyShelf(service.store).get("own/clamp").must == ("own a7",)
    assert send(client, path, path, act="delete").headers["Location"] == "/teach/families"
    assert client.get(path, headers=BROWSER).status_code == 404


@pytest.mark.parametrize(
    ("fields", "told"),
    [
        ({"act": "add", "kind": "white", "fens": f"{FEN}\nnonsense"}, "Line 2 cannot be read"),
        ({"act": "add", "kind": "grey", "fens": FEN}, "Say whether it is an example"),
        ({"act": "add", "kind": "white", "fens": ""}, "Give at least one position"),
        ({"act": "add", "kind": "white", "fens": "8/8\n" * 201}, "At most 200"),
        ({"act": "must", "side": "own", "asks": "pawn", "where": "d9"}, "Give a square"),
        ({"act": "must", "side": "x", "asks": "pawn", "where": "d4"}, "Say whose pawns"),
        ({"act": "must", "side": "own", "asks": "none", "where": "d4"}, "Give one file"),
        ({"act": "free", "text": HOSTILE}, "is nothing that a family is told by"),
        ({"act": "rename", "name": " "}, "Give it a name"),
        ({"act": "rename", "name": "x", "parent": "nowhere"}, "parent"),
        ({"act": "remove", "fen": "nonsense"}, "cannot be read"),
        ({"act": "rename", "name": "x", "revision": "99"}, "in the meantime"),
    ],
)
def test_what_a_family_cannot_take_is_told_and_changes_nothing(
    service: TestService, client: FlaskClient, fields: dict[str, str], told: str
) -> None:
    FamilyShelf(service.store).add("own/clamp", "Clamp")
    before = FamilyShelf(service.store).get("own/clamp")
    path = "/teach/families/own/clamp"
    answer = send(client, path, path, **fields)
    assert answer.status_code == 422, answer.text
    assert told in answer.text and "<script>alert" not in answer.text
    assert FamilyShelf(service.store).get("own/clamp") == before


def test_a_name_without_latin_letters_asks_for_a_short_one(client: FlaskClient) -> None:
    refused = send(client, "/teach/families", "/teach/families", name="Клин")
    assert refused.status_code == 422 and "short name" in refused.text and "Клин" in refused.text
    made = send(client, "/teach/families", "/teach/families", name="Клин", short="klin")
    assert made.status_code == 303
    twice = send(client, "/teach/families", "/teach/families", name="Again", short="klin")
    assert twice.status_code == 422 and "already" in twice.text


def test_what_examples_have_in_common_is_drawn() -> None:
    squares = [
        {"side": "own", "square": "c3", "weight": 1.0},
        {"side": "own", "square": "c4", "weight": 0.6},
        {"side": "foe", "square": "d5", "weight": 0.9},
    ]
    squares += [{"side": "foe", "square": f"h{rank}", "weight": 0.7} for rank in range(4, 8)]
    empty = [{"side": "own", "file": "e"}, {"side": "foe", "file": "b"}]
    view = common_view({"traits": [], "squares": squares, "empty_files": empty})
    assert view.skeleton.white == 1 << 18 and view.skeleton.black == 1 << 35 | 1 << 55
    # c4 will do as well; a pawn anywhere on the h-file rings nothing.
    assert set(view.marks) == {Mark(26, "ring"), Mark(12, "cross"), Mark(49, "cross")}
    assert view.said == "nothing that is sure yet"
    with pytest.raises(ValueError, match="file"):
        condition_of("own", "pawn", "c3 d4")


def test_pages_stay_small_with_as_much_as_there_can_be(
    service: TestService, client: FlaskClient
) -> None:
    families = FamilyShelf(service.store)
    for number in range(200):
        families.add(f"own/{'f' * 60}-{number}", f"{number} {'&' * 190}")
    many = [
        GivenExample((1 << 8 | number << 16, 1 << 52), "white", "", counter=number % 2 == 0)
        for number in range(1, 201)
    ]
    families.put_examples(f"own/{'f' * 60}-0", many)
    for path in (
        f"/look-up?fen={FEN}",
        f"/teach/families?fen={FEN}",
        f"/teach/families/own/{'f' * 60}-0",
        "/teach/families?page=5",
        "/teach/model",
        "/teach/next",
    ):
        answer = client.get(path)
        assert answer.status_code == 200 and len(answer.data) < MOST_BYTES, path
    assert client.get(f"/teach/label?fen={FEN}").data.count(b"own/") == 200


# --- What to label next.


def test_a_question_offers_each_answer_once() -> None:
    found = {
        "fen": "8/8/4p3/3p4/3P4/8/8/8 w - - 0 1",
        "nodes": 3,
        "reason": "uncertain",
        "structure": "carlsbad",
        "holder": "white",
        "probability": 0.55,
        "second": "unsettled",
        "second_holder": "both",
        "second_probability": 0.3,
    }
    asked = question_view(found, {f"own/f{number}": f"F{number}" for number in range(20)})
    answers = [(one.structure, one.holder) for one in asked.choices]
    assert len(set(answers)) == len(answers) == 9
    assert [one.key for one in asked.choices] == list("123456789")
    assert answers[:3] == [("carlsbad", "white"), ("unsettled", "both"), ("carlsbad", "black")]
    assert [one.held for one in asked.choices][:3] == ["55 %", "30 %", ""]


def test_without_a_repertoire_nothing_is_asked(client: FlaskClient) -> None:
    page = client.get("/teach/next")
    assert page.status_code == 200 and "upload one to be asked about it" in page.text
    assert '<a href="/repertoires">Upload a repertoire</a>' in page.text


def test_the_labels_have_one_name_everywhere(client: FlaskClient) -> None:
    link = '<a href="/teach/labels">Labels</a>'
    assert link in client.get("/model").text
    assert "<h1>Labels</h1>" in client.get("/teach/labels").text


@pytest.mark.parametrize("said", ["", "carlsbad", "nothing white", HOSTILE, "carlsbad grey"])
def test_an_answer_that_is_none_is_refused(
    service: TestService, client: FlaskClient, said: str
) -> None:
    answer = send(client, "/teach/next", fen=FEN, answer=said)
    assert answer.status_code == 422 and "<script>alert" not in answer.text
    assert not LabelShelf(service.store).list()
