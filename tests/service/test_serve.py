"""``pawnlore serve`` as a process of its own: start, sign in, refuse, stop gracefully."""

from __future__ import annotations

import http.client
import json
import os
import re
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from flask import Flask, Response, request
from running_services import bearer, make_service

from pawnlore.service.access.secrets import TOKEN, digest_of, new_secret
from pawnlore.service.cli import main
from pawnlore.service.settings import ServiceLimits, settings_from_environment
from pawnlore.service.store.access_shelf import AccessShelf
from pawnlore.service.store.store import open_store
from pawnlore.service.web_server import WebServer

_SERVE = (
    sys.executable,
    "-c",
    "import sys; from pawnlore.service.cli import main; sys.exit(main())",
    "serve",
)
OCTETS = {"Content-Type": "application/octet-stream"}
ADDRESS = re.compile(r"http://(?:127\.0\.0\.1|0\.0\.0\.0|\[::1\]):(\d+)/")


class Server:
    """A served process."""

    def __init__(self, home: Path, *options: str) -> None:
        self.process = subprocess.Popen(
            [*_SERVE, "--port", "0", *options],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env={**os.environ, "PAWNLORE_HOME": str(home)},
        )
        assert self.process.stdout is not None
        line = self.process.stdout.readline()
        found = ADDRESS.search(line)
        if found is None:
            self.process.kill()
            raise AssertionError(line + self.process.communicate()[1])
        self.port = int(found[1])

    def get(self, path: str, **headers: str) -> tuple[int, bytes]:
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=30)
        connection.request("GET", path, headers=headers)
        answer = connection.getresponse()
        body = answer.read()
        connection.close()
        return answer.status, body

    def stop(self, number: int = signal.SIGTERM) -> tuple[int, list[dict[str, object]]]:
        """The exit status, and what it logged."""
        self.process.send_signal(number)
        _, log = self.process.communicate(timeout=60)
        return self.process.returncode, [json.loads(line) for line in log.splitlines()]


@contextmanager
def served(home: Path, *options: str) -> Iterator[Server]:
    server = Server(home, *options)
    try:
        yield server
    finally:
        if server.process.poll() is None:
            server.process.kill()
            server.process.communicate()


def add_token(home: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    monkeypatch.setenv("PAWNLORE_HOME", str(home))
    store = open_store(settings_from_environment().database)
    secret = new_secret(TOKEN)
    AccessShelf(store).add_token("laptop", digest_of(secret), "write")
    store.close()
    return secret


def test_a_server_starts_answers_logs_and_stops(tmp_path: Path) -> None:
    with served(tmp_path) as server:
        assert server.get("/healthz?secret=words")[0] == 200
        assert json.loads(server.get("/readyz")[1])["status"] == "ready"
        assert server.get("/healthz", Host="evil.example")[0] == 421
        assert server.get("/healthz", **{"X-Forwarded-For": "192.0.2.7"})[0] == 403
        refused, _ = exchange(server.port, b"GET /words HTTP/1.1\r\nTransfer-Encoding: x\r\n\r\n")
        assert refused == 400
        status, log = server.stop()
    assert status == 0
    events = [line["event"] for line in log]
    assert events[0] == "listening"
    # What never reaches the application is told as well, without what was sent.
    assert [line["status"] for line in log if line["event"] == "refused"] == [400]
    # A request is logged when its answer is out, which may be after the end began.
    assert [event for event in events if event != "request"][-2:] == ["stopping", "stopped"]
    assert events.count("request") == 4
    assert "words" not in json.dumps(log)


def test_a_server_for_others_asks_for_a_token(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    token = add_token(tmp_path, monkeypatch)
    with served(tmp_path, "--host", "0.0.0.0", "--name", "study.example") as server:
        assert server.get("/healthz", Host="study.example")[0] == 200
        connection = http.client.HTTPConnection("127.0.0.1", server.port, timeout=30)
        connection.request("GET", "/sign-in")
        page = connection.getresponse()
        found = re.search(r'name="form_key" value="([0-9a-f]+)"', page.read().decode())
        assert found is not None
        form = {
            "Content-Type": "application/x-www-form-urlencoded",
            "Cookie": page.headers["Set-Cookie"].partition(";")[0],
        }
        for body, status in (("token=no", 403), (f"token={token}", 303)):
            connection.request("POST", "/sign-in", f"{body}&form_key={found[1]}", form)
            answer = connection.getresponse()
            answer.read()
            assert answer.status == status
        cookie = answer.headers["Set-Cookie"]
        # Plain HTTP: the cookie cannot be bound to TLS, all else holds.
        assert "HttpOnly" in cookie
        assert "Secure" not in cookie
        connection.close()
        status, log = server.stop(signal.SIGINT)
    assert status == 0
    assert token not in json.dumps(log)


@pytest.mark.parametrize(
    "options",
    [
        ["--host", "0.0.0.0"],
        ["--host", "::"],
        ["--name", "study.example"],
        ["--trusted-proxy", "127.0.0.1"],
        ["--sign-in"],
    ],
)
def test_without_access_nothing_is_opened_to_others(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    options: list[str],
) -> None:
    monkeypatch.setenv("PAWNLORE_HOME", str(tmp_path))
    assert main(["serve", "--port", "0", *options]) == 2
    assert "pawnlore access token add NAME" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("options", "word"),
    [
        (["--port", "70000"], "65535"),
        (["--threads", "0"], "--threads"),
        (["--name", "https://study.example"], "host name"),
        (["--trusted-proxy", "proxy.example"], "IP address"),
        (["--model", "missing.npz"], "missing.npz"),
    ],
)
def test_wrong_options_are_told(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    options: list[str],
    word: str,
) -> None:
    monkeypatch.setenv("PAWNLORE_HOME", str(tmp_path))
    assert main(["serve", *options]) == 2
    assert word in capsys.readouterr().err


def test_a_port_in_use_is_told(tmp_path: Path) -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        ran = subprocess.run(
            [*_SERVE, "--port", str(other.getsockname()[1])],
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
            env={**os.environ, "PAWNLORE_HOME": str(tmp_path)},
        )
    assert ran.returncode == 2
    assert "another program listens there" in ran.stderr


# --- The web server itself, in this process.


class Running:
    """A web server in a thread, with a view that takes its time."""

    def __init__(self, home: Path, limits: ServiceLimits, grace: float) -> None:
        self.service = make_service(home, port=0, limits=limits)
        self.begun, self.go_on = threading.Event(), threading.Event()
        self._add_slow_view(self.service.app)
        self.server = WebServer(self.service.app, self.service.settings, threads=4)
        (address,) = self.server.addresses
        self.port = int(address.rstrip("/").rpartition(":")[2])
        self.given_up: int | None = None
        self.thread = threading.Thread(target=self._run, args=(grace,))
        self.thread.start()

    def _add_slow_view(self, app: Flask) -> None:
        @app.post("/trial/slow")
        def slow() -> Response:
            size = len(request.get_data())
            self.begun.set()
            assert self.go_on.wait(30)
            return Response(b"x" * 300_000 + str(size).encode())

    def _run(self, grace: float) -> None:
        self.given_up = self.server.run(grace=grace)

    def end(self) -> None:
        self.go_on.set()
        self.server.stop()
        self.thread.join(30)
        self.service.store.close()


@pytest.fixture
def running(tmp_path: Path) -> Iterator[Running]:
    limits = ServiceLimits(body_bytes=1000, pgn_bytes=2000, seconds=2.0)
    made = Running(tmp_path, limits, grace=20.0)
    yield made
    made.end()


def test_requests_in_flight_are_finished(running: Running) -> None:
    answers: list[tuple[int, int]] = []

    def ask() -> None:
        connection = http.client.HTTPConnection("127.0.0.1", running.port, timeout=30)
        connection.request("POST", "/trial/slow", b"12345", OCTETS)
        answer = connection.getresponse()
        answers.append((answer.status, len(answer.read())))

    asking = threading.Thread(target=ask)
    asking.start()
    assert running.begun.wait(30)
    idle = socket.create_connection(("127.0.0.1", running.port))
    running.server.stop()
    # The door is closed to newcomers while the answer is still being made.
    for _ in range(200):
        try:
            socket.create_connection(("127.0.0.1", running.port)).close()
        except OSError:
            break
        time.sleep(0.05)
    else:
        pytest.fail("new connections are still taken")
    assert running.thread.is_alive()
    running.go_on.set()
    asking.join(30)
    running.thread.join(30)
    assert answers == [(200, 300_001)]
    assert running.given_up == 0
    idle.settimeout(10)
    assert idle.recv(1) == b""
    idle.close()


def test_a_request_that_never_ends_is_given_up(tmp_path: Path) -> None:
    made = Running(tmp_path, ServiceLimits(), grace=0.3)
    connection = http.client.HTTPConnection("127.0.0.1", made.port, timeout=30)
    connection.request("POST", "/trial/slow", b"", OCTETS)
    assert made.begun.wait(30)
    made.server.stop()
    made.thread.join(30)
    assert made.given_up == 1
    made.end()


def exchange(port: int, sent: bytes) -> tuple[int, dict[str, object]]:
    """Send raw bytes; the answer's status and its problem document."""
    with socket.create_connection(("127.0.0.1", port), timeout=30) as connection:
        connection.sendall(sent)
        answer = http.client.HTTPResponse(connection)
        answer.begin()
        assert answer.headers["Content-Type"] == "application/problem+json"
        return answer.status, json.loads(answer.read())


HEAD = b"POST /trial/notes HTTP/1.1\r\nHost: localhost\r\n"


@pytest.mark.parametrize(
    ("sent", "status"),
    [
        (b"nonsense\r\n\r\n", 400),
        (b"GET / HTTP/1.1\r\nHost : localhost\r\n\r\n", 400),
        (b"GET /healthz HTTP/1.1\r\n\r\n", 400),
        (b"GET /healthz HTTP/1.1\r\nHost: localhost\r\nHost: evil.example\r\n\r\n", 400),
        (HEAD + b"Content-Length: -1\r\n\r\n", 400),
        (HEAD + b"Content-Length: 100000\r\n\r\n", 413),
        (HEAD + b"Transfer-Encoding: gzip\r\n\r\n", 400),
        (HEAD + b"Transfer-Encoding: chunked\r\n\r\nfff\r\n" + b"x" * 4095 + b"\r\n", 413),
        (b"GET /" + b"x" * 70_000 + b" HTTP/1.1\r\n\r\n", 431),
        (b"GET /healthz HTTP/1.1\r\nHost: localhost\r\n" + b"A: b\r\n" * 12_000 + b"\r\n", 431),
    ],
)
def test_what_is_no_good_http_is_a_problem_too(running: Running, sent: bytes, status: int) -> None:
    found, document = exchange(running.port, sent)
    assert (found, document["status"]) == (status, status)


def test_a_request_that_trickles_in_is_ended(running: Running) -> None:
    # Bytes keep coming, so the connection is never idle; only the whole takes too long.
    with socket.create_connection(("127.0.0.1", running.port), timeout=30) as connection:
        connection.sendall(HEAD + b"Content-Length: 900\r\n\r\n")
        stop = threading.Event()

        def trickle() -> None:
            while not stop.wait(0.2):
                try:
                    connection.sendall(b" ")
                except OSError:
                    return

        sender = threading.Thread(target=trickle)
        sender.start()
        try:
            answer = http.client.HTTPResponse(connection)
            answer.begin()
            assert answer.status == 408
        finally:
            stop.set()
            sender.join(10)


def test_behind_a_trusted_proxy_the_scheme_is_the_proxys(tmp_path: Path) -> None:
    service = make_service(tmp_path, port=0, trusted_proxy="127.0.0.1", names=("study.example",))
    server = WebServer(service.app, service.settings, threads=1)
    thread = threading.Thread(target=server.run)
    thread.start()
    port = int(server.addresses[0].rstrip("/").rpartition(":")[2])
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=30)
    headers = {
        "Host": "study.example",
        "X-Forwarded-Proto": "https",
        "X-Forwarded-For": "192.0.2.7",
    }
    token = json.dumps({"token": service.token()})
    json_headers = {**headers, "Content-Type": "application/json"}
    connection.request("POST", "/sign-in", token, json_headers)
    answer = connection.getresponse()
    answer.read()
    assert answer.status == 204
    assert answer.headers["Set-Cookie"].startswith("__Host-pawnlore=")
    # Nobody is the author because the proxy is on this machine.
    connection.request("GET", "/trial/who", headers=headers)
    assert connection.getresponse().status == 401
    connection.close()
    server.stop()
    thread.join(30)
    service.store.close()


def test_a_server_listens_on_ipv6_too(tmp_path: Path) -> None:
    if not socket.has_ipv6:
        pytest.skip("this Python has no IPv6")
    service = make_service(tmp_path, host="::1", port=0)
    try:
        server = WebServer(service.app, service.settings, threads=1)
    except (OSError, ValueError):
        pytest.skip("this machine has no IPv6")
    thread = threading.Thread(target=server.run)
    thread.start()
    found = ADDRESS.search(server.addresses[0])
    assert found is not None
    connection = http.client.HTTPConnection("::1", int(found[1]), timeout=30)
    connection.request("GET", "/trial/who")
    assert json.loads(connection.getresponse().read())["right"] == "write"
    connection.close()
    server.stop()
    thread.join(30)
    service.store.close()


def test_a_token_in_a_header_opens_a_served_view(tmp_path: Path) -> None:
    service = make_service(tmp_path, port=0, sign_in=True)
    server = WebServer(service.app, service.settings, threads=1)
    thread = threading.Thread(target=server.run)
    thread.start()
    port = int(server.addresses[0].rstrip("/").rpartition(":")[2])
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=30)
    connection.request("GET", "/trial/who", headers=bearer(service.token()))
    assert json.loads(connection.getresponse().read())["name"] == "laptop"
    connection.close()
    server.stop()
    thread.join(30)
    service.store.close()
