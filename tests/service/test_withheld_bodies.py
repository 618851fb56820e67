"""Large bodies: what the head alone forbids is not let in, and never reaches the disk."""

from __future__ import annotations

import http.client
import json
import threading
import time
from collections.abc import Iterator

import pytest
from raw_requests import RawAnswer, ServedHere, answers, read_all, served_here
from running_services import bearer
from waitress.buffers import OverflowableBuffer, TempfileBasedBuffer

from pawnlore.service.access.guard import Guard
from pawnlore.service.settings import MEBI, ServiceLimits
from pawnlore.service.store.access_shelf import AccessShelf
from pawnlore.service.store.errors import StoreUnavailable

LIMITS = ServiceLimits(body_bytes=100_000, pgn_bytes=8 * MEBI, seconds=20.0)
LARGE = 4 * MEBI


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ServedHere]:
    with served_here(tmp_path_factory.mktemp("bodies"), LIMITS, sign_in=True) as made:
        yield made


@pytest.fixture
def taken(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """The sizes of all pieces of bodies that are kept, in memory or on disk."""
    sizes: list[int] = []
    append = OverflowableBuffer.append

    def counted(self: OverflowableBuffer, data: bytes) -> None:
        # Answers go through the same class, with another bound.
        if self.overflow == 524288:
            sizes.append(len(data))
        append(self, data)

    monkeypatch.setattr(OverflowableBuffer, "append", counted)
    return sizes


def head(method: str, path: str, *lines: str) -> bytes:
    return "\r\n".join([f"{method} {path} HTTP/1.1", "Host: localhost", *lines, "", ""]).encode()


def whole(length: int = LARGE) -> str:
    return f"Content-Length: {length}"


def key(server: ServedHere, right: str = "write") -> str:
    """A header with a new token."""
    token = server.service.token(right, f"{right} {time.monotonic_ns()}")
    return f"Authorization: {bearer(token)['Authorization']}"


FORGED = f"Authorization: Bearer plt_{'A' * 43}"


@pytest.mark.parametrize(
    ("method", "path", "lines", "status"),
    [
        ("PUT", "/trial/upload", [whole()], 401),
        ("PUT", "/trial/upload", [whole(), FORGED], 401),
        ("PUT", "/trial/upload", [whole(), "Transfer-Encoding: chunked"], 400),
        ("PUT", "/trial/upload", ["Transfer-Encoding: chunked"], 401),
        ("PUT", "/trial/upload", [whole(), "Expect: 100-continue"], 401),
        ("PUT", "/trial/upload", [whole(), "Host: evil.example"], 400),
        ("PUT", "/trial/upload", [whole(), "Origin: https://evil.example"], 403),
        ("POST", "/api/repertoires", [whole(), "Content-Type: text/plain"], 401),
        ("POST", "/sign-in", [whole()], 413),
        ("POST", "/healthz", [whole()], 405),
        ("POST", "/nothing", [whole()], 404),
        ("POST", "/study/x", [whole(7 * MEBI)], 405),
    ],
)
def test_who_may_not_is_told_before_any_of_the_body_is_sent(
    server: ServedHere,
    taken: list[int],
    method: str,
    path: str,
    lines: list[str],
    status: int,
) -> None:
    # Nothing follows the head: an answer can only come of the head.
    (answer,) = server.exchange(head(method, path, *lines))
    assert answer.status == status
    answer.problem()
    assert taken == []


@pytest.mark.parametrize("right", ["read", "write"])
def test_a_token_that_is_not_good_for_it_is_told_before_the_body(
    server: ServedHere, right: str
) -> None:
    if right == "read":
        sent = head("PUT", "/trial/upload", whole(), key(server, "read"))
        assert server.exchange(sent)[0].status == 403
    else:
        # It may write, but a note is not as large as that.
        sent = head("POST", "/trial/notes", whole(), key(server))
        (answer,) = server.exchange(sent)
        assert answer.status == 413
        assert "100,000 bytes" in answer.problem()["detail"]


def test_who_sends_it_all_without_asking_still_gets_the_answer(
    server: ServedHere, taken: list[int]
) -> None:
    for _ in range(5):
        connection = http.client.HTTPConnection("127.0.0.1", server.port, timeout=30)
        connection.request("PUT", "/trial/upload", b"x" * LARGE)
        answer = connection.getresponse()
        assert (answer.status, json.loads(answer.read())["status"]) == (401, 401)
        connection.close()
    # What came with the head before anybody could look is all that was kept.
    assert sum(taken) <= 5 * 8192


def test_many_at_once_without_right_write_nothing_to_disk(
    server: ServedHere, monkeypatch: pytest.MonkeyPatch
) -> None:
    files: list[int] = []
    made = TempfileBasedBuffer.__init__

    def counted(self: TempfileBasedBuffer, *args: object) -> None:
        files.append(1)
        made(self, *args)

    monkeypatch.setattr(TempfileBasedBuffer, "__init__", counted)
    statuses: list[int] = []

    def send() -> None:
        sent = head("PUT", "/trial/upload", whole(), FORGED) + b"x" * LARGE
        statuses.extend(answer.status for answer in server.exchange(sent))

    threads = [threading.Thread(target=send) for _ in range(20)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert statuses == [401] * 20
    assert files == []
    # With the right to, it is taken, and does go to a file.
    sent = head("PUT", "/trial/upload", whole(), key(server), "Connection: close")
    (answer,) = server.exchange(sent + b"x" * LARGE)
    assert (answer.status, json.loads(answer.body)) == (200, {"bytes": LARGE})
    assert files


def test_who_may_gets_leave_to_go_on(server: ServedHere) -> None:
    for form in (whole(), "Transfer-Encoding: chunked"):
        lines = (form, key(server), "Expect: 100-continue", "Connection: close")
        with server.connect() as connection:
            connection.sendall(head("PUT", "/trial/upload", *lines))
            leave = connection.recv(100)
            assert leave == b"HTTP/1.1 100 Continue\r\n\r\n"
            body = b"x" * LARGE
            if form != whole():
                body = b"%x\r\n%s\r\n0\r\n\r\n" % (len(body), body)
            connection.sendall(body)
            (answer,) = answers(read_all(connection))
        assert (answer.status, json.loads(answer.body)) == (200, {"bytes": LARGE})


def test_a_chunked_body_ends_where_its_address_takes_no_more(server: ServedHere) -> None:
    sent = head("POST", "/trial/notes", "Transfer-Encoding: chunked", key(server))
    chunk = b"4000\r\n" + b"x" * 0x4000 + b"\r\n"
    (answer,) = server.exchange(sent + chunk * 100)
    assert answer.status == 413
    assert "100,000 bytes" in answer.problem()["detail"]


def test_requests_before_it_on_the_connection_are_answered_first(server: ServedHere) -> None:
    good = head("GET", "/healthz")
    for lines, status in (((FORGED,), 401), ((key(server), "Connection: close"), 200)):
        sent = head("PUT", "/trial/upload", whole(), *lines) + b"x" * LARGE
        found: list[RawAnswer] = server.exchange(good * 3 + sent)
        assert [answer.status for answer in found] == [200, 200, 200, status]


def test_others_are_answered_while_the_store_takes_its_time_to_judge(
    server: ServedHere, monkeypatch: pytest.MonkeyPatch
) -> None:
    go_on, check = threading.Event(), Guard.check

    def slow(self: Guard) -> None:
        from flask import request

        if request.path == "/trial/upload":
            assert go_on.wait(30)
        check(self)

    monkeypatch.setattr(Guard, "check", slow)
    with server.connect() as connection:
        connection.sendall(head("PUT", "/trial/upload", whole()))
        assert server.lives()
        go_on.set()
        assert answers(read_all(connection))[0].status == 401


def test_without_the_store_no_body_is_let_in(
    server: ServedHere, monkeypatch: pytest.MonkeyPatch, taken: list[int]
) -> None:
    lines = (whole(), key(server))

    def lost(self: AccessShelf, digest: str) -> None:
        raise StoreUnavailable("the database does not answer")

    monkeypatch.setattr(AccessShelf, "token_of", lost)
    (answer,) = server.exchange(head("PUT", "/trial/upload", *lines))
    # The one 5xx that is due: it is the store that failed, and no input brings it about.
    assert answer.status == 503
    assert answer.problem()["type"] == "/problems/store"
    assert taken == []


def test_a_proxys_malformed_headers_are_told_as_a_problem(
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    home = tmp_path_factory.mktemp("proxied")
    proxied = {"trusted_proxy": "127.0.0.1", "names": ("localhost",)}
    with served_here(home, LIMITS, **proxied) as made:
        bad = head("GET", "/healthz", 'X-Forwarded-For: "x', "Connection: close")
        (answer,) = made.exchange(bad)
        assert answer.status == 400
        assert "X-Forwarded-For" in answer.problem()["detail"]
        # Over TLS, as the proxy says, our own page has another origin.
        over_tls = ("X-Forwarded-Proto: https", "Origin: https://localhost", key(made))
        sent = head("PUT", "/trial/upload", whole(), *over_tls, "Connection: close")
        (answer,) = made.exchange(sent + b"x" * LARGE)
        assert answer.status == 200
        plain = head("PUT", "/trial/upload", whole(), *over_tls[1:])
        assert made.exchange(plain)[0].status == 403
