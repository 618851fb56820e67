"""Raw bytes at the real server: no 5xx, well-formed answers, and it lives on.

The shapes are those of RFC 9112 (HTTP/1.1) and RFC 9110; sections are named at
the cases. Smuggling shapes are common practice, no source. With
``PAWNLORE_RAW_EXAMPLES=20000`` the drawn campaign at the end is as long as that.
"""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from raw_requests import CLOSING, RawAnswer, ServedHere, answers, read_all, served_here

from pawnlore.service.settings import ServiceLimits

EXAMPLES = int(os.environ.get("PAWNLORE_RAW_EXAMPLES", "200"))

HOST = b"Host: localhost\r\n"
POST = b"POST /trial/notes HTTP/1.1\r\n" + HOST + b"Content-Type: application/json\r\n"
CHUNKED = POST + b"Transfer-Encoding: chunked\r\n\r\n"
STOLEN = b"GET /stolen HTTP/1.1\r\nHost: localhost\r\n\r\n"


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ServedHere]:
    limits = ServiceLimits(body_bytes=1000, pgn_bytes=2000, seconds=1.0)
    with served_here(tmp_path_factory.mktemp("raw"), limits) as made:
        yield made


def get(target: bytes, *headers: bytes, version: bytes = b" HTTP/1.1") -> bytes:
    lines = b"".join(line + b"\r\n" for line in headers)
    return b"GET " + target + version + b"\r\n" + lines + b"\r\n"


REFUSED = [
    # The request line (RFC 9112, section 3).
    ("no request line", b"nonsense\r\n\r\n", 400),
    ("only spaces", b"   \r\n\r\nGET\r\n\r\n", 400),
    ("small letters", b"get / HTTP/1.1\r\n" + HOST + b"\r\n", 400),
    ("two spaces", b"GET  / HTTP/1.1\r\n" + HOST + b"\r\n", 400),
    ("HTTP/0.9", b"GET /healthz\r\n\r\n", 400),
    ("HTTP/1.2", get(b"/healthz", b"Host: localhost", version=b" HTTP/1.2"), 400),
    ("HTTP/3.0", get(b"/healthz", b"Host: localhost", version=b" HTTP/3.0"), 400),
    ("HTTP/2's preface (RFC 9113, section 3.4)", b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n", 400),
    ("a TLS hello", b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03" + bytes(40) + b"\r\n\r\n", 400),
    ("null in the address", get(b"/healthz\0", b"Host: localhost"), 400),
    ("a bare CR", get(b"/heal\rthz", b"Host: localhost"), 400),
    ("a bare LF", b"GET /healthz HTTP/1.1\nHost: localhost\r\n\r\n", 400),
    ("half a bracket", get(b"http://[::1/healthz", b"Host: localhost"), 400),
    ("no ASCII in the address", get(b"/\xff\xfe%ff", b"Host: localhost"), 400),
    ("a fragment", get(b"/healthz#x", b"Host: localhost"), 400),
    ("an address without /", get(b"healthz", b"Host: localhost"), 400),
    ("* for GET", get(b"*", b"Host: localhost"), 400),
    ("another scheme", get(b"ftp://localhost/healthz", b"Host: localhost"), 400),
    ("CONNECT", b"CONNECT localhost:80 HTTP/1.1\r\n" + HOST + b"\r\n", 400),
    ("a long address", get(b"/" + b"x" * 70_000, b"Host: localhost"), 431),
    # Headers (section 5).
    ("no name of a header", get(b"/healthz", b": x", b"Host: localhost"), 400),
    ("space before the colon", get(b"/healthz", b"Host : localhost"), 400),
    ("null in a header", get(b"/healthz", b"Host: localhost", b"A: \0"), 400),
    ("a header in two lines", get(b"/healthz", b"Host: localhost", b"A: b\r\n c"), 400),
    ("a line that goes on from nothing", get(b"/healthz", b" Host: localhost"), 400),
    ("12,000 headers", get(b"/healthz", b"Host: localhost", *[b"A: b"] * 12_000), 431),
    # The length of the body (section 6).
    ("a negative length", POST + b"Content-Length: -1\r\n\r\n", 400),
    ("a length with a sign", POST + b"Content-Length: +2\r\n\r\n{}", 400),
    ("a length in hexadecimal", POST + b"Content-Length: 0x2\r\n\r\n{}", 400),
    ("a length of 5,000 digits", POST + b"Content-Length: " + b"9" * 5000 + b"\r\n\r\n", 400),
    ("two lengths", POST + b"Content-Length: 2\r\nContent-Length: 2\r\n\r\n{}", 400),
    ("two other lengths", POST + b"Content-Length: 2\r\nContent-Length: 50\r\n\r\n{}", 400),
    ("a length that is too large", POST + b"Content-Length: 100000\r\n\r\n", 413),
    ("a length of 4,000 digits", POST + b"Content-Length: " + b"9" * 4000 + b"\r\n\r\n", 413),
    # Transfer codings (section 6.1).
    *(
        (f"coding {coding!r}", POST + b"Transfer-Encoding:" + coding + b"\r\n\r\n0\r\n\r\n", 400)
        for coding in (
            *(
                b" gzip",
                b" deflate",
                b" identity",
                b" x",
                b"",
                b" chunked, gzip",
                b" gzip, chunked",
            ),
            *(
                b" chunked, chunked",
                b" \x0bchunked",
                b" chunked\x00",
                b" ,chunked",
                b" chunked;q=1",
            ),
            b" chunked\r\nTransfer-Encoding: chunked",
        )
    ),
    (
        "chunks and a length",
        POST + b"Content-Length: 5\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n",
        400,
    ),
    ("chunks with HTTP/1.0", CHUNKED.replace(b"1.1", b"1.0") + b"0\r\n\r\n", 400),
    # Chunks (section 7.1).
    ("a chunk without a size", CHUNKED + b"\r\n\r\n", 400),
    ("a negative chunk", CHUNKED + b"-1\r\n\r\n", 400),
    ("a chunk in 0x", CHUNKED + b"0x2\r\n{}\r\n0\r\n\r\n", 400),
    ("a chunk that is longer than it says", CHUNKED + b"1\r\n{}\r\n0\r\n\r\n", 400),
    ("a size that ends with LF", CHUNKED + b"2\n{}\r\n0\r\n\r\n", 400),
    ("a chunk that ends with LF", CHUNKED + b"2\r\n{}\n0\r\n\r\n", 400),
    ("a size of 40 digits", CHUNKED + b"f" * 40 + b"\r\n", 400),
    ("an endless size line", CHUNKED + b"2;" + b"x" * 1500, 400),
    ("null in a chunk's extension", CHUNKED + b"2;\0\r\n{}\r\n0\r\n\r\n", 400),
    ("a trailer that is no header", CHUNKED + b"2\r\n{}\r\n0\r\nnonsense\r\n\r\n", 400),
    ("an endless trailer", CHUNKED + b"2\r\n{}\r\n0\r\n" + b"A: b\r\n" * 5000, 413),
    ("chunks that are too large together", CHUNKED + (b"64\r\n" + b"x" * 100 + b"\r\n") * 30, 413),
    # The address's own host (section 3.2.2).
    *(
        (f"address {target!r}", get(target, b"Host: localhost"), 421)
        for target in (
            *(b"http://evil.example/healthz", b"http://evil.example:80/trial/who"),
            *(b"HTTP://EVIL.example", b"https://evil.example/healthz", b"http://localhost.evil/"),
            *(b"http://localhost:81/healthz", b"http:///healthz", b"http://localhost\\evil/"),
        )
    ),
    ("its host against the address's", get(b"http://localhost/", b"Host: evil.example"), 421),
    ("a user in the address", get(b"http://localhost@evil.example/", b"Host: localhost"), 400),
    ("no Host beside the address", get(b"http://localhost/healthz"), 421),
    # What never comes whole is ended in time.
    ("half a head", b"GET /healthz HTTP/1.1\r\nHost: loc", 408),
    ("half a body", POST + b"Content-Length: 9\r\n\r\n{}", 408),
    ("half a chunk", CHUNKED + b"9\r\n{}", 408),
]


@pytest.mark.parametrize(
    ("sent", "status"), [case[1:] for case in REFUSED], ids=[c[0] for c in REFUSED]
)
def test_what_is_no_good_http_is_refused_and_ends_the_connection(
    server: ServedHere, sent: bytes, status: int
) -> None:
    # Whatever stands behind it on the connection is not read as a request.
    behind = b"" if status == 408 else STOLEN
    (answer,) = server.exchange(sent + behind)
    assert answer.status == status
    kind = {421: "/problems/wrong-host", 413: "/problems/too-large"}.get(status, "about:blank")
    assert answer.problem()["type"] == kind
    assert server.lives()


TAKEN = [
    ("empty lines before (section 2.2)", b"\r\n\r\n" + CLOSING, [200]),
    ("one after the other", get(b"/healthz", b"Host: localhost") + CLOSING, [200, 200]),
    ("HTTP/1.0", get(b"/healthz", b"Host: localhost", version=b" HTTP/1.0"), [200]),
    (
        "the address with its own host",
        get(b"http://localhost/healthz", b"Host: localhost") + CLOSING,
        [200, 200],
    ),
    (
        "its port left out",
        get(b"http://localhost:80/healthz", b"Host: LOCALHOST") + CLOSING,
        [200, 200],
    ),
    ("its host alone", get(b"http://localhost", b"Host: localhost") + CLOSING, [200, 200]),
    ("two slashes", get(b"//evil.example/healthz", b"Host: localhost") + CLOSING, [404, 200]),
    ("no UTF-8, escaped", get(b"/%ff%fe", b"Host: localhost") + CLOSING, [404, 200]),
    ("no Host (RFC 9112, section 3.2)", get(b"/healthz") + CLOSING, [400, 200]),
    ("two Hosts", get(b"/healthz", b"Host: localhost", b"Host: localhost") + CLOSING, [400, 200]),
    (
        "a host that is not ours",
        get(b"http://evil.example/", b"Host: evil.example") + CLOSING,
        [421, 200],
    ),
    ("null, escaped", get(b"/healthz%00", b"Host: localhost") + CLOSING, [404, 200]),
    ("dots", get(b"/../../healthz", b"Host: localhost") + CLOSING, [404, 200]),
    ("OPTIONS *", b"OPTIONS * HTTP/1.1\r\n" + HOST + b"\r\n" + CLOSING, [404, 200]),
    ("TRACE", b"TRACE /healthz HTTP/1.1\r\n" + HOST + b"\r\n" + CLOSING, [405, 200]),
    ("a method of nobody's", b"BREW /healthz HTTP/1.1\r\n" + HOST + b"\r\n" + CLOSING, [405, 200]),
    ("chunks", CHUNKED + b"2;a=b\r\n{}\r\n00\r\nA: b\r\n\r\n" + CLOSING, [200, 200]),
    ("an underscored length", POST + b"Content_Length: 90\r\n\r\n" + CLOSING, [400, 200]),
    (
        "Expect without a body",
        get(b"/healthz", b"Host: localhost", b"Expect: 100-continue") + CLOSING,
        [200, 200],
    ),
    (
        "Expect",
        POST + b"Content-Length: 2\r\nExpect: 100-continue\r\n\r\n{}" + CLOSING,
        [100, 200, 200],
    ),
    (
        "Expect and chunks",
        CHUNKED[:-2] + b"Expect: 100-continue\r\n\r\n2\r\n{}\r\n0\r\n\r\n" + CLOSING,
        None,
    ),
    ("another Expect", POST + b"Content-Length: 2\r\nExpect: x\r\n\r\n{}" + CLOSING, [200, 200]),
    (
        "Upgrade",
        get(b"/healthz", b"Host: localhost", b"Connection: upgrade", b"Upgrade: h2c") + CLOSING,
        [200, 200],
    ),
    (
        "a body for GET",
        get(b"/healthz", b"Host: localhost", b"Content-Length: 2") + b"{}" + CLOSING,
        [200, 200],
    ),
]


@pytest.mark.parametrize(
    ("sent", "statuses"), [case[1:] for case in TAKEN], ids=[c[0] for c in TAKEN]
)
def test_well_formed_http_is_answered_and_the_next_request_is_the_next_one(
    server: ServedHere, sent: bytes, statuses: list[int] | None
) -> None:
    found = [answer.status for answer in server.exchange(sent)]
    if statuses is None:
        # Where the body was there before anybody looked, leave need not be given.
        assert [status for status in found if status != 100] == [200, 200]
    else:
        assert found == statuses


def test_an_answer_to_head_has_no_body(server: ServedHere) -> None:
    for sent, status in (
        (b"HEAD /healthz HTTP/1.1\r\n" + HOST + b"Connection: close\r\n\r\n", 200),
        (b"HEAD /healthz HTTP/1.1\r\n" + HOST + b"Transfer-Encoding: gzip\r\n\r\n", 400),
        (b"HEAD http://evil.example/ HTTP/1.1\r\n" + HOST + b"\r\n", 421),
    ):
        (answer,) = server.exchange(sent, head=True)
        assert answer.status == status


def test_a_body_in_single_bytes_is_read_as_in_one_piece(server: ServedHere) -> None:
    sent = CHUNKED + b"1\r\n{\r\n1;x\r\n}\r\n0\r\nA: b\r\n\r\n" + CLOSING
    with server.connect() as connection:
        connection.setsockopt(6, 1, 1)  # TCP_NODELAY: every byte on its own
        for place in range(len(sent)):
            connection.sendall(sent[place : place + 1])
        found = answers(read_all(connection))
    assert [answer.status for answer in found] == [200, 200]
    assert b'"body":{}' in found[0].body.replace(b" ", b"")


# --- Drawn requests.

_METHOD = st.sampled_from(
    [b"GET", b"POST", b"PUT", b"DELETE", b"OPTIONS", b"TRACE", b"CONNECT", b"X"]
)
_TARGET = st.one_of(
    st.sampled_from(
        [
            *(b"/healthz", b"/", b"/api/plans?fen=8/8", b"/api/notes", b"/trial/notes", b"*", b""),
            *(b"http://localhost/healthz", b"http://evil.example/", b"http://[", b"//x", b"x:y"),
            *(b"/study/pls_x", b"/api/classify", b"/api/repertoires?name=%ff", b"/%2e%2e/%00"),
        ]
    ),
    st.binary(max_size=12),
)
_VERSION = st.sampled_from(
    [*[b" HTTP/1.1"] * 6, b" HTTP/1.0", b" HTTP/2.0", b" HTTP/9.9", b"", b" HTTP/1.1 "]
)
_HEADER = st.one_of(
    st.sampled_from(
        [
            *(b"Host: localhost", b"Host: evil.example", b"Host:", b"Content-Length: 0"),
            *(
                b"Content-Length: 5",
                b"Content-Length: 05",
                b"Content-Length: 5, 5",
                b"Content-Length:",
            ),
            *(
                b"Transfer-Encoding: chunked",
                b"Transfer-Encoding: gzip",
                b"transfer-encoding:CHUNKED ",
            ),
            *(b"Transfer-Encoding:\tchunked", b"Transfer-Encoding : chunked", b"TE: trailers"),
            *(
                b"Expect: 100-continue",
                b"Connection: close",
                b"Connection: keep-alive, x",
                b"Upgrade: h2c",
            ),
            *(b"Accept: text/html", b"Accept: \xff", b"Range: bytes=0-", b"Content-Encoding: gzip"),
            *(
                b"Content-Type: application/json",
                b"Content-Type: multipart/form-data",
                b"Cookie: pawnlore=x",
            ),
            *(
                b"Authorization: Bearer x",
                b"Authorization: Basic \xff",
                b"If-Match: \xff",
                b" folded",
            ),
            *(
                b"X-Forwarded-For: 1.2.3.4",
                b"Forwarded: for=x",
                b"Origin: null",
                b"Sec-Fetch-Site: x",
            ),
        ]
    ),
    st.binary(max_size=20),
)
_BODY = st.one_of(
    st.sampled_from(
        [b"", b"{}", b"0\r\n\r\n", b"5\r\nhello\r\n0\r\n\r\n", b"5\r\nhel", b"zz\r\n", b"\r\n"]
    ),
    st.binary(max_size=20),
)


@st.composite
def _request(draw: st.DrawFn) -> bytes:
    headers = draw(st.lists(_HEADER, max_size=4))
    if draw(st.integers(0, 4)):
        headers.insert(0, b"Host: localhost")
    line = draw(_METHOD) + b" " + draw(_TARGET) + draw(_VERSION)
    return b"\r\n".join([line, *headers]) + b"\r\n\r\n" + draw(_BODY)


@settings(
    max_examples=EXAMPLES,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(sent=st.lists(_request(), min_size=1, max_size=3))
def test_drawn_requests_break_nothing(server: ServedHere, sent: list[bytes]) -> None:
    # So many at the end that half a body or half a head swallows some and not all.
    found: list[RawAnswer] = server.exchange(b"".join(sent) + CLOSING * 3)
    assert found
    for answer in found:
        assert answer.status < 500
        page = answer.headers.get("content-type", "").startswith("text/html")
        if answer.status >= 400 and not (page and b"Accept: text/html" in b"".join(sent)):
            answer.problem()
    assert server.lives()
