"""The production web server: waitress, with a graceful stop and a limit on slow requests."""

from __future__ import annotations

import signal
import socket
import time
from collections.abc import Callable
from types import FrameType
from typing import Any

from flask import Flask
from waitress import wasyncore
from waitress.adjustments import Adjustments
from waitress.server import TcpWSGIServer
from waitress.task import ThreadedTaskDispatcher

from pawnlore.service.behind_proxy import behind_proxy
from pawnlore.service.body_judge import body_judge
from pawnlore.service.settings import Settings
from pawnlore.service.web_channel import HEADER_BYTES, Channel, Judge

GRACE_SECONDS = 30.0
"""How long requests in flight may go on after the service was told to stop."""

CONNECTIONS = 200
"""Connections at one time; others wait."""


class _Listener(TcpWSGIServer):  # type: ignore[misc]
    """One listening socket."""

    channel_class = Channel
    request_seconds = 300.0
    judge: Judge

    def maintenance(self, now: float) -> None:
        super().maintenance(now)
        for channel in list(self.active_channels.values()):
            channel.look_at_clock(self.request_seconds)


class WebServer:
    """A server that listens already, and answers once it runs.

    Raises `OSError` where the address cannot be listened on, and `ValueError`
    where the host is no address of this machine.
    """

    def __init__(self, app: Flask, settings: Settings, *, threads: int) -> None:
        limits = settings.limits
        served: Any = app
        judge = body_judge(app)
        if settings.trusted_proxy:
            served = behind_proxy(app, settings.trusted_proxy)
            judge = behind_proxy(judge, settings.trusted_proxy)
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
            # What a proxy adds is seen to by `behind_proxy`; without a trusted
            # one the guard wants to see it.
            clear_untrusted_proxy_headers=False,
        )
        self._map: dict[int, Any] = {}
        self._dispatcher = ThreadedTaskDispatcher()
        self._stop = False
        self._listeners = []
        try:
            for address in adjustments.listen:
                listener = _Listener(
                    served,
                    self._map,
                    dispatcher=self._dispatcher,
                    adj=adjustments,
                    sockinfo=address,
                )
                listener.request_seconds = limits.seconds
                listener.judge = judge
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

    def _busy_channels(self) -> list[Channel]:
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
