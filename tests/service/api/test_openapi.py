"""The API against its own description, by a property-based API tester.

Schemathesis reads the OpenAPI document and calls every operation with input
that fits it and with input that does not: wrong types, missing and unknown
parameters, hostile texts, headers, paths and methods. It checks that no answer
is a 5xx, that status, media type, headers and body are as described, and that
what does not fit is refused.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any

import pytest
import schemathesis
from hypothesis import given, settings
from hypothesis import strategies as st
from running_services import TestService, make_service
from schemathesis.engine import from_schema

from pawnlore.service.api.describe import operation_of
from pawnlore.service.api.openapi import document, operations
from pawnlore.service.api.problems import CONTENT_TYPE
from pawnlore.service.settings import ServiceLimits

NOTE = '+++\nstructure = "carlsbad"\nholder = "any"\nside = "holder"\ntitle = "T"\n+++\nText.\n'

# A position, a search or a note that fits its schema may still be none: then
# 422 is right, which this check takes for wrong.
LEFT_OUT = {"positive_data_acceptance": {"enabled": False}}


@pytest.fixture
def service(tmp_path: Path) -> Iterator[TestService]:
    made = make_service(tmp_path, limits=ServiceLimits(body_bytes=200_000))
    client = made.client()
    for number in range(3):
        client.post("/api/notes", json={"text": NOTE, "name": f"{number}.md"})
    yield made
    made.store.close()


def at_this_machine(app: Any) -> Callable[..., Iterable[bytes]]:
    """The application with a caller at the machine itself, who needs no sign-in."""

    def call(environ: dict[str, Any], start_response: Any) -> Iterable[bytes]:
        environ["REMOTE_ADDR"] = "127.0.0.1"
        answer: Iterable[bytes] = app(environ, start_response)
        return answer

    return call


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


@pytest.mark.slow
def test_every_operation_keeps_its_description(service: TestService) -> None:
    config = schemathesis.Config.from_dict(
        {
            "seed": 20,
            "generation": {"max-examples": 25, "deterministic": True, "database": "none"},
            "checks": LEFT_OUT,
            "phases": {"stateful": {"enabled": True}},
        }
    )
    schema = schemathesis.openapi.from_wsgi(
        "/api/openapi.json", at_this_machine(service.app), config=config
    )
    faults: list[str] = []
    asked: dict[str, int] = {}
    for event in from_schema(schema).execute():
        kind = type(event).__name__
        if kind in ("NonFatalError", "FatalError"):
            faults.append(f"{kind}: {getattr(event, 'info', event)!r}")
        if kind != "ScenarioFinished":
            continue
        recorder = event.recorder  # type: ignore[attr-defined]
        asked[recorder.label] = asked.get(recorder.label, 0) + len(recorder.cases)
        for checks in recorder.checks.values():
            for check in checks:
                if check.failure_info is not None:
                    info = check.failure_info
                    faults.append(f"{recorder.label}: {info.failure}\n{info.code_sample[:2000]}")
    assert not faults, "\n\n".join(faults[:10])
    wanted = {
        f"{method.upper()} {address}"
        for address, path in document(service.app)["paths"].items()
        for method in path
    }
    wanted.remove("GET /api/openapi.json")  # The tester reads it, and calls it no further.
    assert {label for label, count in asked.items() if count} >= wanted


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
