"""The production web server: waitress, with a graceful stop and a limit on slow requests."""

from __future__ import annotations

import json
import signal
import socket
import time
from collections.abc import Callable
from types import FrameType
from typing import Any

from flask import Flask
from waitress import wasyncore
from waitress.adjustments import Adjustments
from waitress.channel import HTTPChannel
from waitress.server import TcpWSGIServer
from waitress.task import ErrorTask, ThreadedTaskDispatcher
from waitress.utilities import BadRequest

from pawnlore.service.api.problems import CONTENT_TYPE, problem_document
from pawnlore.service.settings import Settings

GRACE_SECONDS = 30.0
"""How long requests in flight may go on after the service was told to stop."""

CONNECTIONS = 200
"""Connections at one time; others wait."""

HEADER_BYTES = 64 * 1024
"""All headers of one request together."""

_DETAILS = {
    400: "The request is not well formed HTTP.",
    408: "The request took too long to arrive.",
    413: "The body is larger than anything that fits here.",
    431: f"The headers are larger than the {HEADER_BYTES:,} bytes that fit here.",
    501: "The service does not take a body in that transfer coding.",
}


class ArrivedTooLate(BadRequest):  # type: ignore[misc]
    """A request that did not arrive whole in time."""

    code = 408
    reason = "Request Timeout"


class _ProblemTask(ErrorTask):  # type: ignore[misc]
    """Tells what the server itself refuses as a problem, as the application does."""

    def execute(self) -> None:
        error = self.request.error
        detail = _DETAILS.get(error.code, error.reason)
        body = json.dumps(problem_document(error.code, detail)).encode()
        self.status = f"{error.code} {error.reason}"
        self.response_headers.append(("Content-Type", CONTENT_TYPE))
        self.set_close_on_finish()
        self.content_length = len(body)
        self.write(body)


class _Channel(HTTPChannel):  # type: ignore[misc]
    """A connection that knows since when a request has been arriving."""

    error_task_class = _ProblemTask
    arriving_since = 0.0
    request: Any  # what is arriving: a parser of waitress, or none
    requests: list[Any]
    total_outbufs_len: int

    def received(self, data: bytes) -> bool:
        if self.request is None:
            self.arriving_since = time.monotonic()
        return bool(super().received(data))

    @property
    def busy(self) -> bool:
        """Whether a request is arriving, worked on or being answered."""
        return bool(self.requests or self.request is not None or self.total_outbufs_len)

    def refuse_slow(self, seconds: float) -> None:
        """Answer a request that has been arriving for longer than this, and end."""
        with self.requests_lock:
            request = self.request
            if request is None or time.monotonic() - self.arriving_since < seconds:
                return
            request.error = ArrivedTooLate("")
            request.completed = True
            self.request = None
            self.requests.append(request)
            if len(self.requests) == 1:
                self.server.add_task(self)


class _Listener(TcpWSGIServer):  # type: ignore[misc]
    """One listening socket."""

    channel_class = _Channel
    request_seconds = 300.0

    def maintenance(self, now: float) -> None:
        super().maintenance(now)
        for channel in list(self.active_channels.values()):
            channel.refuse_slow(self.request_seconds)


class WebServer:
    """A server that listens already, and answers once it runs.

    Raises `OSError` where the address cannot be listened on, and `ValueError`
    where the host is no address of this machine.
    """

    def __init__(self, app: Flask, settings: Settings, *, threads: int) -> None:
        limits = settings.limits
        proxy: dict[str, Any] = {}
        if settings.trusted_proxy:
            proxy = {
                "trusted_proxy": settings.trusted_proxy,
                "trusted_proxy_count": 1,
                "trusted_proxy_headers": {"x-forwarded-for", "x-forwarded-proto"},
            }
        adjustments = Adjustments(
            host=settings.host.strip("[]"),
            port=settings.port,
            threads=threads,
            ident="",
            connection_limit=CONNECTIONS,
            max_request_header_size=HEADER_BYTES,
            max_request_body_size=max(limits.pgn_bytes, limits.body_bytes) + 1,
            cleanup_interval=max(1, min(10, int(limits.seconds / 4))),
            asyncore_use_poll=True,
            # Without a trusted proxy the guard wants to see what a proxy adds.
            clear_untrusted_proxy_headers=bool(settings.trusted_proxy),
            **proxy,
        )
        self._map: dict[int, Any] = {}
        self._dispatcher = ThreadedTaskDispatcher()
        self._stop = False
        self._listeners = []
        try:
            for address in adjustments.listen:
                listener = _Listener(
                    app,
                    self._map,
                    dispatcher=self._dispatcher,
                    adj=adjustments,
                    sockinfo=address,
                )
                listener.request_seconds = limits.seconds
                self._listeners.append(listener)
        except BaseException:
            wasyncore.close_all(self._map)
            raise
        self._dispatcher.set_thread_count(threads)

    @property
    def addresses(self) -> list[str]:
        """Where it listens, as URLs."""
        return [
            f"http://{_bracketed(listener.effective_host)}:{listener.effective_port}/"
            for listener in self._listeners
        ]

    def stop(self) -> None:
        """Let `run` come to its end. May be called from a signal handler or a thread."""
        if not self._stop:
            self._stop = True
            for listener in self._listeners:
                listener.pull_trigger()

    def run(self, stopping: Callable[[], None] = lambda: None, grace: float = GRACE_SECONDS) -> int:
        """Answer requests until `stop`; then finish those in flight.

        ``stopping`` is called when the end begins. Gives back the number of
        requests that had to be given up after ``grace`` seconds.
        """
        while not self._stop:
            wasyncore.loop(timeout=1.0, use_poll=True, map=self._map, count=1)
        stopping()
        return self._finish(grace)

    def _finish(self, grace: float) -> int:
        for listener in self._listeners:
            # The trigger stays, so that threads can still tell of their answers.
            listener.accepting = False
            wasyncore.dispatcher.close(listener)
        ends = time.monotonic() + grace
        busy = self._busy_channels()
        while busy and time.monotonic() < ends:
            wasyncore.loop(timeout=0.1, use_poll=True, map=self._map, count=1)
            busy = self._busy_channels()
        self._dispatcher.shutdown(timeout=1)
        wasyncore.close_all(self._map, ignore_all=True)
        self._listeners.clear()
        return len(busy)

    def _busy_channels(self) -> list[_Channel]:
        """Connections with work; the others are closed."""
        busy = []
        for listener in self._listeners:
            for channel in list(listener.active_channels.values()):
                if channel.busy:
                    busy.append(channel)
                else:
                    channel.handle_close()
        return busy


def stop_on_signals(server: WebServer) -> None:
    """Stop gracefully on SIGTERM and SIGINT; a second one ends at once."""

    def handle(number: int, _frame: FrameType | None) -> None:
        # No logging in here: the signal may have come in the middle of a log line.
        signal.signal(number, signal.SIG_DFL)
        server.stop()

    signal.signal(signal.SIGTERM, handle)
    signal.signal(signal.SIGINT, handle)


def _bracketed(host: str) -> str:
    try:
        socket.inet_pton(socket.AF_INET6, host)
    except OSError:
        return host
    return f"[{host}]"
