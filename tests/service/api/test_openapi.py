"""The API against its own description, by a property-based API tester.

Schemathesis reads the OpenAPI document and calls every operation with input
that fits it and with input that does not: wrong types, missing and unknown
parameters, hostile texts, headers, paths and methods. It checks that no answer
is a 5xx, that status, media type, headers and body are as described, that what
does not fit is refused, and that what fits is taken, on both kinds of database,
and with a token for writing or reading and with a student link. Who may do what
is in ``test_rights.py``.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
import schemathesis
from api_formats import TEXTS
from described_api import Author, described, served
from hypothesis import given, settings
from hypothesis import strategies as st
from openapi_spec_validator import OpenAPIV31SpecValidator
from running_services import TestService, bearer, make_service
from schemathesis.engine import from_schema

from pawnlore.service.api.describe import operation_of
from pawnlore.service.api.openapi import document, operations
from pawnlore.service.api.problems import CONTENT_TYPE
from pawnlore.service.settings import ServiceLimits

for name, texts in TEXTS.items():
    schemathesis.openapi.format(name, texts)

ADDRESS = "/api/openapi.json"
LIMITS = ServiceLimits(pgn_bytes=200_000)

REFUSED = [400, 401, 403, 404, 405, 406, 412, 413, 415, 422, 428, 429]

REFUSED_ON_PURPOSE = {
    # What fits its schema and is refused all the same: status, and words of the
    # answer. No schema can know what is in the store.
    (412, "was changed in between"): "an ETag is good as long as nobody changes the thing",
    (400, "Cursor belongs to what has changed"): "a page of what has changed since is mixed up",
    (422, "compare: "): "whether moves lead anywhere depends on the repertoire",
    (422, "moves: "): "whether a piece can move so depends on the position",
    (422, "There is a family own/"): "an id is given once",
    (422, "has no example"): "what examples have in common needs one",
    (422, "is no shipped family"): "the shipped families are a list of their own",
    (422, "is no condition"): "conditions are a small language",
    (422, "is nothing that a family is told by"): "traits are a list of their own",
    (422, "labels, line "): "an EPD file is a language of its own",
    (422, "was accepted; return to another version"): "what was accepted is not rejected",
    (422, "There is no repertoire in the store"): "there is nothing to ask about",
}


@pytest.fixture
def service(tmp_path: Path) -> Iterator[TestService]:
    with served(tmp_path, limits=LIMITS) as made:
        yield made


def sent_from(address: str, app: Any) -> Callable[..., Iterable[bytes]]:
    """The application with a caller at an address."""

    def call(environ: dict[str, Any], start_response: Any) -> Iterable[bytes]:
        environ["REMOTE_ADDR"] = address
        answer: Iterable[bytes] = app(environ, start_response)
        return answer

    return call


@dataclass
class Account:
    """What a run of the tester found."""

    faults: list[str] = field(default_factory=list)
    asked: Counter[str] = field(default_factory=Counter)
    statuses: dict[str, Counter[int]] = field(default_factory=dict)
    refused: Counter[tuple[int, str]] = field(default_factory=Counter)


def account_of(
    service: TestService, headers: dict[str, str], examples: int, *, thorough: bool = True
) -> Account:
    """Let the tester call every operation, and give account."""
    config = schemathesis.Config.from_dict(
        {
            "seed": 20,
            "headers": headers,
            "generation": {"max-examples": examples, "deterministic": True, "database": "none"},
            "checks": {
                # It does not work on WSGI applications; `test_rights.py` has it for every
                # operation.
                "ignored_auth": {"enabled": False},
                "negative_data_rejection": {"expected-statuses": REFUSED},
                # RFC 6585, section 3: the status for a change without a condition.
                "missing_required_header": {"expected-statuses": REFUSED},
            },
            "phases": {
                "stateful": {"enabled": thorough and not headers},
                # Every boundary of every parameter; for whoever may not, it is all one.
                "coverage": {"enabled": thorough},
            },
        }
    )
    app = sent_from("127.0.0.1", service.app)
    schema = schemathesis.openapi.from_wsgi(
        "/api/openapi.json", app, config=config, headers=headers
    )
    account = Account()
    for event in from_schema(schema).execute():
        kind = type(event).__name__
        if kind in ("NonFatalError", "FatalError"):
            account.faults.append(f"{kind}: {getattr(event, 'info', event)!r}")
        if kind != "ScenarioFinished":
            continue
        recorder = event.recorder  # type: ignore[attr-defined]
        account.asked[recorder.label] += len(recorder.cases)
        for place, case in recorder.cases.items():
            interaction = recorder.interactions.get(place)
            if interaction is not None and interaction.response is not None:
                label = case.value.operation.label
                status = interaction.response.status_code
                account.statuses.setdefault(label, Counter())[status] += 1
        for place, checks in recorder.checks.items():
            for check in checks:
                if check.failure_info is None:
                    continue
                info = check.failure_info
                known = _known_refusal(check.name, recorder.interactions[place].response)
                if known is not None:
                    account.refused[known] += 1
                    continue
                account.faults.append(
                    f"{recorder.label}: {info.failure}\n{info.code_sample[:2000]}"
                )
    return account


def _known_refusal(check: str, response: Any) -> tuple[int, str] | None:
    """Which refusal on purpose an answer is, if it is one."""
    if check != "positive_data_acceptance":
        return None
    detail = json.loads(response.content).get("detail", "")
    for status, words in REFUSED_ON_PURPOSE:
        if response.status_code == status and words in detail:
            return status, words
    return None


def test_every_address_of_the_api_is_described(service: TestService) -> None:
    lacking = [
        (address, method)
        for address, method, endpoint in operations(service.app)
        if operation_of(service.app.view_functions[endpoint]) is None
    ]
    assert lacking == []


def test_the_document_is_openapi_3_1_and_holds_together(service: TestService) -> None:
    found = document(service.app)
    assert found["openapi"].startswith("3.1.")
    ids = [one["operationId"] for path in found["paths"].values() for one in path.values()]
    assert len(ids) == len(set(ids))
    schemas = found["components"]["schemas"]
    for reference in _references(found):
        _, where, kind, name = reference.split("/")
        assert (where, kind) in (("components", "schemas"), ("components", "responses"))
        assert name in found[where][kind]
    used = {reference.rpartition("/")[2] for reference in _references(found)}
    assert used >= set(schemas), "a schema that nothing uses"
    for address, path in found["paths"].items():
        for one in path.values():
            named = {p["name"] for p in one.get("parameters", ()) if p["in"] == "path"}
            assert named == {part[1:-1] for part in address.split("/") if part.startswith("{")}
            assert one["summary"] and one["responses"]


def test_the_document_keeps_the_standard(service: TestService) -> None:
    # Against the OpenAPI 3.1 specification's own schema, with JSON Schema 2020-12,
    # by an independent validator: https://spec.openapis.org/oas/v3.1.0
    found = OpenAPIV31SpecValidator(document(service.app)).iter_errors()
    assert [(list(error.path), error.message) for error in found] == []
    # It can tell.
    broken = document(service.app)
    broken["paths"]["/api/model"]["get"]["parameters"] = [{"name": "x", "in": "nowhere"}]
    assert list(OpenAPIV31SpecValidator(broken).iter_errors())


def keeps_its_description(service: TestService, account: Account) -> None:
    """No fault was found, and every operation was called."""
    assert not account.faults, "\n\n".join(account.faults[:25])
    wanted = {one.label for one in described(service)}
    wanted.remove("GET /api/openapi.json")  # The tester reads it, and calls it no further.
    assert {label for label, count in account.asked.items() if count} >= wanted


@pytest.mark.slow
def test_every_operation_keeps_its_description(tmp_path: Path, database: str) -> None:
    """Called by the author at the machine, with all the tester can do."""
    with served(tmp_path, database=database, limits=LIMITS) as service:
        Author(service).things()
        examples = 4 if database.startswith("sqlite") else 1
        account = account_of(service, {}, examples)
        keeps_its_description(service, account)
        # 404 alone would mean that nothing behind the addresses was ever reached.
        reached = [
            one.id
            for one in described(service)
            if one.good_statuses & set(account.statuses.get(one.label, ()))
        ]
        assert len(reached) > len(described(service)) // 2, reached


@pytest.mark.slow
@pytest.mark.parametrize("who", ["write", "read", "link"])
def test_every_operation_keeps_its_description_and_its_right(tmp_path: Path, who: str) -> None:
    with served(tmp_path, sign_in=True, limits=LIMITS) as service:
        things = Author(service).things()
        headers = {
            "write": lambda: bearer(service.token("write", "w")),
            "read": lambda: bearer(service.token("read", "r")),
            "link": lambda: bearer(service.link(things.ids["repertoires"])),
        }[who]()
        before = service.store.counters()
        account = account_of(service, headers, 2, thorough=False)
        keeps_its_description(service, account)
        for one in described(service):
            seen = set(account.statuses.get(one.label, ()))
            allowed = (
                one.open_to_all
                or {
                    "write": one.may("token", "write"),
                    "read": one.may("token", "read"),
                    "link": one.may("link"),
                }[who]
            )
            if not allowed:
                assert not {status for status in seen if status < 400}, (one.label, seen)
                assert seen & {401, 403} or not seen, (one.label, seen)
        if who in ("read", "link"):
            assert service.store.counters() == before


HOSTILE_TEXT = st.one_of(
    st.text(max_size=300),
    st.sampled_from(
        (
            "' OR 1=1; --",
            "%_\\",
            "\u202e\u2066",
            "<script>alert(1)</script>",
            "{{7*7}}${7*7}",
            "../../etc/passwd",
            "[x](javascript:alert(1))" * 50,
            "*" * 5000,
            "[" * 5000,
            "> " * 3000 + "x",
            "- " * 2000,
            "`" * 3001,
            "&#0;&#x110000;",
            "a\r\nSet-Cookie: x=y",
        )
    ),
)
FENS = st.one_of(
    HOSTILE_TEXT,
    st.from_regex(r"[1-8KkQqRrBbNnPp/]{1,80}( [wb]( [KQkqA-Ha-h-]{1,5}( [a-h-][36]?)?)?)?"),
    st.builds(
        lambda *ranks: "/".join(ranks) + " w KQkq e3 0 99999999999999999999",
        *[st.sampled_from(("8", "pppppppp", "PPPPPPPP", "k7", "K7", "qqqqqqqq", "1p1p1p1p"))] * 8,
    ),
)


@pytest.fixture(scope="module")
def lasting(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestService]:
    made = make_service(tmp_path_factory.mktemp("hostile"))
    yield made
    made.store.close()


def told(answer: Any) -> Any:
    """An answer's document; every error is a problem and none of them ours."""
    assert answer.status_code < 500, answer.get_data(as_text=True)
    if answer.status_code >= 400:
        assert answer.content_type == CONTENT_TYPE
        assert answer.json["detail"]
    return answer.json


@settings(max_examples=150)
@given(fen=FENS, chapter=HOSTILE_TEXT)
def test_hostile_positions(lasting: TestService, fen: str, chapter: str) -> None:
    client = lasting.client()
    plans = client.get("/api/plans", query_string={"fen": fen, "chapter": chapter})
    told(plans)
    rows = told(client.post("/api/classify", json={"fens": [fen, fen]}))
    if "items" in rows:
        first, second = rows["items"]
        assert first == second
        # One and many agree about what is a position.
        one = client.get("/api/classify", query_string={"fen": fen})
        if one.status_code == 200:
            assert "error" not in first
            assert one.json is not None
            assert one.json["structure"] == first["structure"]


@settings(max_examples=80)
@given(body=HOSTILE_TEXT, title=HOSTILE_TEXT, name=HOSTILE_TEXT)
def test_hostile_notes_are_refused_or_kept_unchanged(
    lasting: TestService, body: str, title: str, name: str
) -> None:
    client = lasting.client()
    text = f'+++\nstructure = "carlsbad"\nholder = "any"\nside = "foe"\ntitle = "{title}"\n+++\n'
    answer = client.post("/api/notes", json={"text": text + body, "name": name[:200]})
    found = told(answer)
    if answer.status_code == 201:
        assert told(client.get(answer.headers["Location"]))["text"] == text + body
        html = told(client.get("/api/plans?fen=8/ppp2ppp/2p5/3p4/3P4/4P3/PP3PPP/8"))
        for one in html["notes"]:
            assert "<script" not in one["html"] and "javascript:" not in _links(one["html"])
        headers = {"If-Match": answer.headers["ETag"]}
        told(client.delete(answer.headers["Location"], headers=headers))
    elif answer.status_code == 422:
        assert found["errors"]


@settings(max_examples=150)
@given(
    data=st.one_of(
        st.binary(max_size=200),
        st.sampled_from(
            (
                b"[" * 100_000,
                b'{"a":' * 100_000,
                b'{"text": "\\ud800"}',
                b'{"text": "\\u0000"}',
                b'{"text": 1e999}',
                b'{"text": NaN}',
                b"9" * 10_000,
                b'{"text": "a", "text": "b"}',
                b"\xff\xfe{}",
                b'{"revision": true}',
                b'{"fens": [[]]}',
                b'{"fens": null}',
            )
        ),
    ),
    kind=st.sampled_from(
        ("application/json", "text/plain", "application/json; charset=utf-16", "", "a/b", "\x80")
    ),
    method=st.sampled_from(("GET", "POST", "PUT", "DELETE", "PATCH", "OPTIONS", "HEAD", "TRACE")),
    address=st.sampled_from(
        (
            "/api/classify",
            "/api/notes",
            "/api/notes/x",
            "/api/notes/x/restore",
            "/api/notes//restore",
            "/api/plans?fen=%ff%fe%00",
            "/api/notes?q=%ED%A0%80&cursor=%00",
            "/api/notes/%ED%A0%80",
            "/api/structures/..%2f..%2fx",
        )
    ),
    tag=st.sampled_from(('"r1"', "*", '"', 'W/"', "r1", '"\xe9"', ",,,,", '"a"' * 400)),
)
def test_hostile_requests(
    lasting: TestService, data: bytes, kind: str, method: str, address: str, tag: str
) -> None:
    answer = lasting.client().open(
        address,
        method=method,
        data=data,
        content_type=kind,
        headers={"If-Match": tag, "If-None-Match": tag, "Accept": "*/*;q=x"},
    )
    if method == "HEAD":
        assert answer.status_code < 500
    else:
        told(answer)


def _references(value: Any) -> Iterator[str]:
    if isinstance(value, dict):
        for key, entry in value.items():
            if key == "$ref":
                yield entry
            else:
                yield from _references(entry)
    elif isinstance(value, list):
        for entry in value:
            yield from _references(entry)


def _links(html: str) -> str:
    return "".join(part.split('"')[0] for part in html.split('href="')[1:])
