"""Who may do what, for every operation: as the document says, so it is.

Each operation is called with a request made from the document, by everybody
there is. Whoever may gets what they asked for; whoever may not gets 401, 403
or, for another repertoire than a link's own, 404, and nothing has changed.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from described_api import (
    OWN,
    Author,
    Described,
    Things,
    described,
    keeps_its_word,
    note,
    served,
    text_of,
)
from running_services import TestService, bearer
from werkzeug.test import TestResponse

from pawnlore.service.access.needs import needs_of
from pawnlore.service.api.openapi import operations

CLOSED = re.compile("owed|label|revision|setaside|job|pgn|booklet|split|model$", re.IGNORECASE)
"""What is in the name of operations that no student may use."""

DRAFT = "a thought that is not for students"


@pytest.fixture
def service(tmp_path: Path, database: str) -> Iterator[TestService]:
    with served(tmp_path, database=database, sign_in=True) as made:
        yield made


def state(service: TestService, author: Author) -> Any:
    """All that could have been changed."""
    jobs = author.send("GET", "/api/jobs?format=jsonl", 200).get_data()
    return service.store.counters(), jobs


def call(
    service: TestService, one: Described, things: Things, headers: dict[str, str]
) -> TestResponse:
    request = one.request(things)
    request["headers"] = {**request["headers"], **headers}
    answer = service.client().open(**request)
    keeps_its_word(answer, one.whole)
    return answer


def test_the_document_says_what_the_views_ask_for(service: TestService) -> None:
    by_place = {(one.address, one.method): one for one in described(service)}
    for address, method, endpoint in operations(service.app):
        asked = needs_of(service.app.view_functions[endpoint], method.upper())
        one = by_place[address, method]
        assert one.may("token", "read") == (asked.right != "write")
        assert one.may("token", "write") and one.may("cookie")
        assert one.may("link") == (asked.students or asked.right == "nothing")
        assert one.of_one_repertoire == (asked.argument is not None)
        assert {} not in one.value["security"], "somebody must sign in here"


def test_an_author_at_the_machine_needs_no_sign_in(tmp_path: Path) -> None:
    with served(tmp_path) as local:
        author = Author(local)
        kept = author.things()
        for one in described(local):
            assert one.open_to_all or {} in one.value["security"]
            answer = call(local, one, kept if one.method == "get" else author.things(), {})
            assert answer.status_code in one.good_statuses, (one.label, text_of(answer))


@pytest.mark.slow
@pytest.mark.parametrize("right", ["write", "read"])
def test_a_token_may_do_what_its_right_says(service: TestService, right: str) -> None:
    author, headers = Author(service), bearer(service.token(right, name=right))
    kept = author.things()
    refused = 0
    for one in described(service):
        if one.may("token", right):
            things = author.things() if one.method != "get" else kept
            answer = call(service, one, things, headers)
            assert answer.status_code in one.good_statuses, (one.label, text_of(answer))
            continue
        before = state(service, author)
        assert call(service, one, kept, headers).status_code == 403, one.label
        assert state(service, author) == before
        refused += 1
    assert (refused > 5) == (right == "read")


def test_nobody_may_do_anything_that_is_not_open_to_all(service: TestService) -> None:
    author = Author(service)
    things = author.things()
    before = state(service, author)
    for one in described(service):
        for headers in ({}, bearer("plt_unknown"), {"Authorization": "Basic eDp5"}):
            answer = call(service, one, things, headers)
            if one.open_to_all:
                assert answer.status_code in one.good_statuses
            else:
                assert answer.status_code == 401, (one.label, text_of(answer))
                assert answer.headers["WWW-Authenticate"].startswith("Bearer")
    assert state(service, author) == before


def test_a_student_link_opens_what_is_named_and_no_draft(service: TestService) -> None:
    author = Author(service)
    own, other = author.things(), author.things()
    draft = author.note(note("Draft", f"{DRAFT}\n"), published=False)
    student = bearer(service.link(own.ids["repertoires"]))
    before = state(service, author)
    opened = set()
    for one in described(service):
        answer = call(service, one, own, student)
        if one.may("link"):
            assert answer.status_code in one.good_statuses, (one.label, text_of(answer))
            opened.add(one.id)
        else:
            assert answer.status_code == 403, (one.label, text_of(answer))
        text = text_of(answer)
        assert DRAFT not in text and draft not in text and OWN not in text
        assert "decided_by" not in text or one.id == "openapi"
        if one.of_one_repertoire:
            assert call(service, one, other, student).status_code == 404, one.label
        if "{id}" in one.address and "notes" in one.address:
            hidden = call(service, one, Things({**own.ids, "notes": draft}), student)
            assert hidden.status_code in (403, 404), one.label
    assert state(service, author) == before
    assert opened >= {
        "classifyOne",
        "classifyMany",
        "plans",
        "structures",
        "structure",
        "listNotes",
        "readNote",
        "getRepertoire",
        "listGroups",
        "listLines",
        "openapi",
    }
    assert not [id for id in opened if CLOSED.search(id)]


@pytest.mark.parametrize("kind", ["token", "link"])
def test_what_was_revoked_opens_nothing_more(service: TestService, kind: str) -> None:
    author = Author(service)
    things = author.things()
    if kind == "token":
        secret = service.token(name="lost")
        service.shelf.revoke_token("lost")
    else:
        secret = service.link(things.ids["repertoires"])
        for link in service.shelf.links():
            service.shelf.revoke_link(link.id)
    for one in described(service):
        answer = call(service, one, things, bearer(secret))
        assert answer.status_code == (200 if one.open_to_all else 401), one.label
