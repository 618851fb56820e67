"""Hostile input in every place of every operation: no 5xx, every error a problem, nothing told.

The operations and their places (parts of the address, query, headers, bodies
with their fields) are read from the document; what is put there is chosen by
what the document says is wanted: PGN, a position, a note, JSON, or any text.
"""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from urllib.parse import quote, urlencode, urlsplit

import pytest
from described_api import (
    PGN,
    Author,
    Described,
    Things,
    described,
    json_of,
    keeps_its_word,
    note,
    served,
)
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from running_services import TestService

sys.path.insert(0, str(Path(__file__).parent.parent.parent / "fuzz"))

from hostile_input import TARGETS

from pawnlore.service.settings import ServiceLimits

SECONDS = 10.0
"""Processor seconds for one request; far more than any takes."""

LIMITS = ServiceLimits(pgn_bytes=100_000, nodes=2_000, seconds=30.0)

TEXTS = st.one_of(
    st.text(max_size=200),
    st.sampled_from(
        (
            "",
            " ",
            "\0",
            "\r\nSet-Cookie: x=y",
            "' OR 1=1; --",
            "%_\\",
            "{{7*7}}${7*7}%s%n{0.__class__}",
            "../../../etc/passwd",
            "\u202e\u2066\ufeff\u2028",
            "\ud800",
            "x" * 20_000,
            "9" * 6_000,
            "-1",
            "1e999",
            "NaN",
            "true",
            "null",
        )
    ),
)
VALUES = st.one_of(
    TEXTS,
    st.sampled_from(
        (
            None,
            True,
            -1,
            10**400,
            1.5,
            [],
            {},
            [[[[[]]]]],
            [None],
            ["8/8", 3],
            {"a": {"b": {}}},
            ["x" * 5_000],
            ["8/8/8/8/8/8/8/8"] * 10_001,
        )
    ),
)
RAW = st.one_of(
    st.binary(max_size=200),
    st.sampled_from(
        (
            b"",
            b"[" * 50_000,
            b'{"a":' * 50_000,
            b'{"text": "\\ud800", "fens": ["\\udfff"]}',
            b'{"text": "\\u0000"}',
            b'{"text": 1e999, "revision": 1e999, "fens": 1e999}',
            b'{"revision": ' + b"9" * 5_000 + b"}",
            b'{"text": NaN, "fens": [Infinity]}',
            b'{"text": "a", "text": "b"}',
            b'\xff\xfe{\x00"\x00',
            b'\xef\xbb\xbf{"fens": []}',
            b'{"text": "' + b"\\u0041" * 20_000 + b'"}',
            b"{" + b",".join(b'"%d":0' % n for n in range(20_000)) + b"}",
            b"null",
            b'"text"',
            b"\x1f\x8b\x08\x00" + b"\0" * 50,
        )
    ),
)
PARTS = st.one_of(
    TEXTS.filter(lambda text: "\ud800" not in text).map(lambda text: quote(text, safe="")),
    st.sampled_from(
        (
            "%2e%2e",
            "%2e%2e%2f%2e%2e%2fetc%2fpasswd",
            "..%5c..%5c",
            "%00",
            "x%00.pgn",
            "%2f",
            "%ff%fe",
            "%ED%A0%80",
            "%25%32%65",
            "é",
            "%F0%9F%99%82",
            "a" * 70_000,
            "%0d%0aSet-Cookie:%20x=y",
            ".",
            "..",
            "x;y=z",
        )
    ),
)
HEADERS = st.dictionaries(
    st.sampled_from(
        (
            "Accept",
            "Accept-Encoding",
            "Authorization",
            "Content-Encoding",
            "Content-Type",
            "Cookie",
            "Expect",
            "Host",
            "If-Match",
            "If-Modified-Since",
            "If-None-Match",
            "Origin",
            "Range",
            "X-HTTP-Method-Override",
        )
    ),
    st.sampled_from(
        (
            "*/*;q=x",
            "text/csv;q=0.1, */*;q=0",
            "application/json;q=99999999999999999999",
            "," * 3_000,
            "application/json; charset=utf-7",
            "application/json; charset=utf-16",
            'application/json; charset="',
            "multipart/form-data",
            "multipart/form-data; boundary=",
            "multipart/form-data; boundary=" + "x" * 500,
            "text/plain; charset=no-such-thing",
            "application/vnd.chess-pgn; charset=utf-7",
            "gzip",
            "deflate, br",
            '"r1"',
            'W/"r1"',
            "*",
            '"',
            '"\xe9"',
            '"r99999999999999999999"',
            '"a", ' * 300,
            "bytes=0-18446744073709551616",
            "bytes=-1,-1,-1",
            "Bearer ",
            "Bearer \xff\xfe",
            "Basic Og==",
            "session=.eJw; session=x; \xff",
            "null",
            "file://",
            "127.0.0.1:99999999",
            "[::1",
            "DELETE",
            "100-continue",
            "Thu, 99 Foo 99999 99:99:99 GMT",
        )
    ),
    max_size=3,
)


@pytest.fixture(scope="module")
def lasting(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[TestService, Things, str]]:
    home = tmp_path_factory.mktemp("hostile")
    with served(home, limits=LIMITS) as service:
        yield service, Author(service).things(), str(home)


def fitting(schema: Any, whole: Any) -> st.SearchStrategy[Any]:
    """Hostile texts of the kind that is wanted in a place."""
    wanted = schema.get("format", "")
    if wanted == "position":
        return TARGETS["fen"].inputs | TEXTS
    if wanted == "plan-note":
        return TARGETS["note"].inputs | TEXTS.map(lambda text: note(body=text))
    if wanted == "moves":
        return TARGETS["pgn-text"].inputs | TEXTS
    return TEXTS


def fields_of(schema: Any, whole: Any) -> dict[str, Any]:
    """The fields of a body and their schemas."""
    if "$ref" in schema:
        return fields_of(whole["components"]["schemas"][schema["$ref"].split("/")[-1]], whole)
    if "anyOf" in schema:
        return fields_of(schema["anyOf"][0], whole)
    found: dict[str, Any] = schema.get("properties", {})
    return found


@st.composite
def hostile(draw: st.DrawFn, one: Described, things: Things) -> dict[str, Any]:
    """A request that is good but for one or some of its places."""
    places = ["headers", "path", "query", "method"] + ["body"] * 3 * bool(one.bodies)
    spoilt = draw(st.sets(st.sampled_from(places), min_size=1, max_size=2))
    media = draw(st.sampled_from(list(one.bodies))) if one.bodies else ""
    request = one.request(things, media)
    if "path" in spoilt:
        put = draw(PARTS)
        request["path"] = things.address(one.address)
        request["path"] = (
            one.address.replace("{id}", put) if "{" in one.address else (f"{one.address}/{put}")
        )
    query = dict(request.pop("query_string", {}))
    if "query" in spoilt:
        known = {p["name"]: p["schema"] for p in one.parameters if p["in"] == "query"}
        for name in draw(st.lists(st.sampled_from([*known, "x", "limit", "cursor"]), max_size=3)):
            query[name] = draw(fitting(known.get(name, {}), one.whole))
    if query:
        request["query_string"] = urlencode(query, errors="surrogatepass")
    if "body" in spoilt and media == "application/json":
        fields = fields_of(one.bodies[media]["schema"], one.whole)
        value = json.loads(request["data"])
        for name in draw(st.lists(st.sampled_from([*fields, "extra"]), min_size=1, max_size=2)):
            value[name] = draw(fitting(fields.get(name, {}), one.whole) | VALUES)
        request["data"] = draw(st.just(json.dumps(value).encode()) | RAW)
    elif "body" in spoilt:
        lines = TARGETS["lines" if one.id == "classifyMany" else "pgn"].inputs
        request["data"] = draw(lines | RAW)
        request["content_type"] = media
    if "headers" in spoilt:
        request["headers"] = {**request["headers"], **draw(HEADERS)}
        kind = request["headers"].pop("Content-Type", None)
        if kind is not None and isinstance(request.get("data", b""), bytes):
            request["content_type"] = kind
    if "method" in spoilt:
        methods = ("GET", "HEAD", "OPTIONS", "POST", "PUT", "PATCH", "TRACE", "X-Y")
        request["method"] = draw(st.sampled_from(methods))
    return request


@pytest.mark.slow
@settings(max_examples=700, suppress_health_check=list(HealthCheck))
@given(data=st.data())
def test_hostile_input_in_every_place(
    lasting: tuple[TestService, Things, str], data: st.DataObject
) -> None:
    service, things, home = lasting
    one = data.draw(st.sampled_from(described(service)), label="operation")
    # What is deleted is another one each time.
    named = Author(service).things() if one.method == "delete" else things
    request = data.draw(hostile(one, named), label="request")
    sent = repr(request) + str(request.get("query_string", ""))
    begun = time.process_time()
    answer = service.client().open(**request)
    answer.get_data()
    assert time.process_time() - begun < SECONDS
    keeps_its_word(answer, one.whole, inside=(home,), sent=sent)
    assert "x=y" not in answer.headers.get("Set-Cookie", "")


NASTY = (
    "<script>alert(1)</script>",
    "<img src=x onerror=alert(1)>",
    "[a](javascript:alert(1))",
    "[a](JaVaScRiPt:alert(1))",
    "[a](java\tscript:alert(1))",
    "[a](&#106;avascript:alert(1))",
    "[a](data:text/html;base64,PHNjcmlwdD4=)",
    "[a](vbscript:x)",
    "![a](javascript:alert(1))",
    "<javascript:alert(1)>",
    "[a]: javascript:alert(1)\n\n[a]",
    '[a](https://x.example "\\" onmouseover=alert(1) x=\\"")',
    "```<script>\nalert(1)\n```",
    "<!-- --!><script>alert(1)</script>",
    "<svg/onload=alert(1)>",
    "&lt;script&gt;",
    "| a | b |\n|---|---|\n" + "| <b>x</b> | [y](javascript:z) |\n" * 2_000,
    "> " * 3_000 + "x",
    "- " * 3_000 + "x",
    "[" * 20_000,
    "*a_" * 20_000,
    "`" * 20_001,
    "![" * 10_000 + "](x)" * 10_000,
    "[a](" * 10_000,
    "a\n" * 40_000,
    "&#0;&#x110000;&#xD800;",
)
"""Text that is bad for a page or for a reader of Markdown."""


FREE = frozenset({"http", "https", "mailto", ""})
"""What a link may begin with; nothing is an address of the same site."""


class Judge(HTMLParser):
    """Looks for what a page must not hold."""

    def handle_starttag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        assert tag not in ("script", "style", "iframe", "img", "svg", "object", "form", "base")
        for name, value in attributes:
            assert not name.startswith("on") and name not in ("style", "srcdoc", "src")
            if name == "href":
                assert urlsplit((value or "").strip()).scheme.lower() in FREE, value


@pytest.mark.parametrize("body", NASTY, ids=[str(number) for number in range(len(NASTY))])
def test_nasty_markdown_is_kept_and_shown_harmless(
    lasting: tuple[TestService, Things, str], body: str
) -> None:
    service, _, _ = lasting
    author = Author(service)
    begun = time.process_time()
    text = note(title="<script>alert(1)</script>", body=f"{body}\n", structure="own/nasty")
    id = author.note(text)
    assert json_of(author.send("GET", f"/api/notes/{id}", 200))["text"] == text
    label = author.label("8/p7/8/8/8/8/P6P/8", "own/nasty")
    found = json_of(author.send("GET", "/api/plans?fen=8/p7/8/8/8/8/P6P/8", 200))
    shown = [one for one in found["notes"] if one["id"] == id]
    assert shown, "the note applies"
    Judge().feed(shown[0]["html"])
    assert time.process_time() - begun < SECONDS
    for address in (f"/api/notes/{id}", f"/api/labels/{label}"):
        author.client.delete(address, headers={"If-Match": "*"})


@pytest.mark.parametrize(
    "header",
    [
        "x = " + "[" * 5_000 + "]" * 5_000,
        "x = " + "{a=" * 3_000 + "1" + "}" * 3_000,
        ".".join("a" * 3_000) + " = 1",
        "\n".join(f"[a{'.a' * n}]" for n in range(90)),
        "x = " + "9" * 10_000,
        "x = 0x" + "f" * 10_000,
        'x = "' + "\\u0041" * 3_000 + '"',
        "[[a]]\n" * 2_500,
        "x = 9999-99-99T99:99:99Z",
        "x = '''" + "'" * 9_000,
    ],
    ids=[str(number) for number in range(10)],
)
def test_a_header_that_is_a_bomb_is_refused_at_once(
    lasting: tuple[TestService, Things, str], header: str
) -> None:
    service, _, home = lasting
    begun = time.process_time()
    sent = {"text": f"+++\n{header}\n+++\nText.\n"}
    answer = service.client().post("/api/notes", json=sent)
    assert answer.status_code == 422
    keeps_its_word(answer, described(service)[0].whole, inside=(home,), sent=str(sent))
    assert time.process_time() - begun < SECONDS


def test_a_compressed_body_is_refused_and_said_so(
    lasting: tuple[TestService, Things, str],
) -> None:
    service, _, _ = lasting
    things = Author(service).things()
    headers = {"Content-Encoding": "gzip"}
    for one in described(service):
        for media in one.bodies:
            request = one.request(things, media)
            request["headers"] = {**request["headers"], **headers}
            answer = service.client().open(**request)
            assert answer.status_code == 415, (one.label, media)
            assert answer.headers["Accept-Encoding"] == "identity"


def test_a_name_that_cannot_be_kept_is_told_before_the_upload_is_read(
    lasting: tuple[TestService, Things, str],
) -> None:
    service, _, _ = lasting
    things = Author(service).things()
    for method, address in (
        ("POST", "/api/repertoires"),
        ("PUT", f"/api/repertoires/{things.ids['repertoires']}/pgn"),
    ):
        answer = service.client().open(
            f"{address}?name=a%0Ab", method=method, data=b"1. d4 *", content_type=PGN
        )
        assert answer.status_code == 422 and answer.json is not None
        assert "name" in answer.json["detail"]
