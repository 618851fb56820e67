"""Raw bytes sent to a served application, and its answers taken apart strictly."""

from __future__ import annotations

import json
import re
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from running_services import TestService, make_service

from pawnlore.service.settings import ServiceLimits
from pawnlore.service.web_server import WebServer

_STATUS = re.compile(rb"HTTP/1\.[01] ([1-5][0-9]{2}) [ -~]*")
_FIELD = re.compile(rb"([!#$%&'*+\-.^_`|~0-9A-Za-z]+):[ \t]*([\t\x20-\x7e\x80-\xff]*)")


@dataclass
class RawAnswer:
    """One answer: ``status``, ``headers`` with names in lower case, and ``body``."""

    status: int
    headers: dict[str, str]
    body: bytes

    def problem(self) -> dict[str, Any]:
        """The problem document that every refusal must be."""
        assert self.headers["content-type"] == "application/problem+json", self
        document: dict[str, Any] = json.loads(self.body)
        assert document["status"] == self.status
        assert document["title"] and document["detail"]
        return document


@dataclass
class ServedHere:
    """An application that a thread of this process serves."""

    service: TestService
    server: WebServer
    port: int

    def connect(self) -> socket.socket:
        return socket.create_connection(("127.0.0.1", self.port), timeout=30)

    def exchange(self, sent: bytes, *, head: bool = False) -> list[RawAnswer]:
        """Send bytes, and read until the server ends the connection."""
        with self.connect() as connection:
            # It may have had enough; what it said is still there.
            with suppress(OSError):
                connection.sendall(sent)
            return answers(read_all(connection), head=head)

    def lives(self) -> bool:
        """Whether it still answers everybody else."""
        found = self.exchange(CLOSING)
        return [one.status for one in found] == [200]


CLOSING = b"GET /healthz HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n"
"""A request after which the server ends the connection."""


@contextmanager
def served_here(home: Path, limits: ServiceLimits, **settings: Any) -> Iterator[ServedHere]:
    service = make_service(home, port=0, limits=limits, **settings)
    server = WebServer(service.app, service.settings, threads=4)
    thread = threading.Thread(target=server.run, kwargs={"grace": 5.0})
    thread.start()
    try:
        yield ServedHere(service, server, int(server.addresses[0].rstrip("/").rpartition(":")[2]))
    finally:
        server.stop()
        thread.join(30)
        service.store.close()


def read_all(connection: socket.socket, seconds: float = 20.0) -> bytes:
    """Everything until the other side ends; an end that takes too long is an error."""
    found, ends = b"", time.monotonic() + seconds
    while True:
        connection.settimeout(max(0.01, ends - time.monotonic()))
        try:
            part = connection.recv(65536)
        except ConnectionResetError:
            return found
        if not part:
            return found
        found += part


def answers(received: bytes, *, head: bool = False) -> list[RawAnswer]:
    """The answers in some bytes, which must hold nothing else.

    ``head`` says that the request was HEAD, so that the answer has no body.
    """
    found = []
    while received:
        top, blank, received = received.partition(b"\r\n\r\n")
        assert blank, f"an answer is cut off: {top!r}"
        line, *fields = top.split(b"\r\n")
        status = _STATUS.fullmatch(line)
        assert status, line
        headers: dict[str, str] = {}
        for field in fields:
            parts = _FIELD.fullmatch(field)
            assert parts, field
            headers[parts[1].decode().lower()] = parts[2].decode("latin-1")
        code, body = int(status[1]), b""
        assert not ("content-length" in headers and "transfer-encoding" in headers)
        if "transfer-encoding" in headers:
            body, received = _chunks(received)
        elif not head and code >= 200 and code not in (204, 304):
            # With HTTP/1.0 a body may end where the connection does.
            ends = line.startswith(b"HTTP/1.0") and "content-length" not in headers
            length = len(received) if ends else int(headers["content-length"])
            assert len(received) >= length
            body, received = received[:length], received[length:]
        found.append(RawAnswer(code, headers, body))
    return found


def _chunks(received: bytes) -> tuple[bytes, bytes]:
    body = b""
    while True:
        size, end, received = received.partition(b"\r\n")
        assert end
        length = int(size, 16)
        body += received[:length]
        assert received[length : length + 2] == b"\r\n"
        received = received[length + 2 :]
        if not length:
            return body, received
