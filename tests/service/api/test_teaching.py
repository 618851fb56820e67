"""Teaching over HTTP: from examples to a model that is in use, and back."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from described_api import PGN, Author, json_of, served
from running_services import TestService

from pawnlore.service.store.schema import ModelVersionRow

# The bind with the a-pawn on a4, from common practice; no source.
CLAMP = [
    "8/pp2pp1p/3p2p1/8/P1P1P3/8/1P3PPP/8 w - - 0 1",
    "8/pp2p2p/3p1pp1/8/P1P1P3/1P6/5PPP/8 w - - 0 1",
    "8/1p2pp1p/p2p2p1/8/P1P1P3/8/1P3PPP/8 w - - 0 1",
]
BIND = (
    b"1. e4 c5 2. Nf3 d6 3. d4 cxd4 4. Nxd4 Nf6 5. f3 g6 6. c4 Bg7 7. a4 O-O 8. Nc3 Nc6 9. Be3 *\n"
)
FAMILIES = "/api/teaching/families"


@pytest.fixture
def service(tmp_path: Path) -> Iterator[TestService]:
    with served(tmp_path) as made:
        yield made


@pytest.fixture
def author(service: TestService) -> Author:
    return Author(service)


def classified(author: Author, fen: str) -> dict[str, Any]:
    answer = author.send("GET", "/api/classify", 200, query_string={"fen": fen})
    return dict(json_of(answer))


def taught_clamp(author: Author) -> dict[str, Any]:
    """The result of a job that taught the family of `CLAMP`."""
    sent = {"id": "own/clamp", "name": "wing clamp", "parent": "maroczy-bind"}
    author.send("POST", FAMILIES, 201, json=sent)
    more = {"fens": CLAMP, "holder": "white"}
    author.send("POST", f"{FAMILIES}/clamp/examples", 200, json=more)
    job = author.ended(author.send("POST", "/api/teaching/retrain", 202))
    assert job["state"] == "done", job
    return dict(job["result"])


@pytest.mark.slow
def test_an_own_family_is_taught_accepted_and_taken_back(
    service: TestService, author: Author
) -> None:
    author.send("POST", "/api/repertoires", 202, data=BIND, content_type=PGN)
    fen = CLAMP[0]
    assert classified(author, fen)["second"] != "own/clamp"
    result = taught_clamp(author)
    number = result["model_version"]
    version = json_of(author.send("GET", f"/api/teaching/versions/{number}", 200))
    assert version["state"] == "proposed" and version["figures"]["exam"]["count"] == 240
    assert classified(author, fen)["second"] != "own/clamp", "nothing changes before it is accepted"
    chosen = json_of(
        author.send("POST", "/api/teaching/choice", 202, json={"version": number, "expected": 0})
    )
    assert chosen["choice"]["version"] == number and len(chosen["jobs"]) == 1
    ended = {"Location": f"/api/jobs/{chosen['jobs'][0]['id']}"}
    job = author.ended(type("Begun", (), {"headers": ended})())
    assert job["state"] == "done" and job["result"]["model"] == result["digest"]
    found = classified(author, fen)
    assert (found["structure"], found["second"]) == ("maroczy-bind", "own/clamp")
    assert json_of(author.send("GET", "/api/model", 200))["digest"] == result["digest"]
    # Somebody who has seen an older choice is told.
    late = author.send("POST", "/api/teaching/choice", 409, json={"version": 0, "expected": 0})
    assert json_of(late)["choice"]["version"] == number
    author.send("POST", f"/api/teaching/versions/{number}/reject", 422)
    author.send("POST", "/api/teaching/choice", 202, json={"version": 0})
    assert classified(author, fen)["second"] != "own/clamp"
    # A version whose numbers were changed is neither used nor loaded.
    with service.store.writing() as connection:
        connection.execute(ModelVersionRow.__table__.update().values(content=b"PK" + bytes(90)))
    author.send("POST", "/api/teaching/choice", 422, json={"version": number})
    listed = json_of(author.send("GET", "/api/teaching/versions", 200))
    assert listed["in_use"]["version"] == 0 and len(listed["choices"]) == 2


@pytest.mark.slow
def test_a_model_that_was_tampered_with_while_in_use_gives_way_to_the_shipped_one(
    service: TestService, author: Author
) -> None:
    number = author.version()
    author.send("POST", "/api/teaching/choice", 202, json={"version": number})
    with service.store.writing() as connection:
        connection.execute(ModelVersionRow.__table__.update().values(content=b"changed"))
    other = service.app.extensions["pawnlore"].base
    # A new service on this store, as after a restart.
    from pawnlore.service.model_in_use import ModelInUse

    assert ModelInUse(service.store, other).now() is other


def test_a_family_is_made_changed_and_deleted_by_two_who_look_before(author: Author) -> None:
    made = author.send("POST", FAMILIES, 201, json={"id": "own/clamp"})
    assert made.headers["Location"] == f"{FAMILIES}/clamp"
    first = made.headers["ETag"]
    author.send("POST", FAMILIES, 422, json={"id": "own/clamp"})
    change = {"must": ["own a4|a5"], "free": ["foe h"]}
    address = f"{FAMILIES}/clamp"
    author.send("PATCH", address, 428, json=change)
    done = author.send("PATCH", address, 200, json=change, headers={"If-Match": first})
    assert json_of(done)["must"] == ["own a4|a5"]
    late = author.send("PATCH", address, 412, json={"name": "x"}, headers={"If-Match": first})
    assert json_of(late)["family"]["free"] == ["foe h"]
    for bad in ({"must": ["own d9"]}, {"free": ["own z"]}, {"parent": "own/x"}):
        author.send("PATCH", address, 422, json=bad, headers={"If-Match": "*"})
    examples = f"{address}/examples"
    more = author.send("POST", examples, 200, json={"fens": CLAMP[:1], "holder": "white"})
    (example,) = json_of(more)["examples"]
    assert example["given"] == CLAMP[0] and not example["counter"]
    author.send("POST", examples, 422, json={"fens": [CLAMP[1], "none"], "holder": "white"})
    author.send("POST", examples, 400, json={"fens": CLAMP})
    author.send("POST", examples, 200, json={"fens": CLAMP[1:], "holder": "both", "counter": True})
    author.send("DELETE", examples, 200, query_string={"fen": CLAMP[1]})
    author.send("DELETE", examples, 404, query_string={"fen": CLAMP[1]})
    author.send("DELETE", address, 412, headers={"If-Match": first})
    author.send("DELETE", address, 204, headers={"If-Match": "*"})
    author.send("GET", address, 404)


def test_labels_go_in_and_out_and_a_file_with_errors_is_refused_whole(author: Author) -> None:
    author.label(CLAMP[0], "own/clamp")
    out = author.send("GET", "/api/teaching/labels", 200).get_data(as_text=True)
    assert 'c0 "own/clamp"' in out
    sent = out + '8/8/4p3/3p4/3P4/8/8/8 w - - c0 "carlsbad"; c1 "white";\n'
    taken = author.send("POST", "/api/teaching/labels", 200, data=sent, content_type="text/plain")
    assert json_of(taken) == {"new": 1, "changed": 0, "unchanged": 1}
    bad = sent + 'x\n8/8/8/8/8/8/8/8 w - - c0 "none"; c1 "white";\n'
    told = author.send("POST", "/api/teaching/labels", 422, data=bad, content_type="text/plain")
    assert [fault.split(":")[0] for fault in json_of(told)["errors"]] == [
        "labels, line 3",
        "labels, line 4",
    ]
    author.send("POST", "/api/teaching/labels", 415, data=sent, content_type="text/csv")


def test_what_is_asked_is_asked_once(author: Author) -> None:
    author.send("GET", "/api/teaching/questions", 422)
    author.upload(BIND)
    first = json_of(author.send("GET", "/api/teaching/questions", 200))["items"]
    assert first
    author.send("POST", "/api/teaching/passed", 204, json={"fen": first[0]["fen"]})
    again = json_of(author.send("GET", "/api/teaching/questions?count=200", 200))["items"]
    assert first[0]["fen"] not in [one["fen"] for one in again]
