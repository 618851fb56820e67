"""One connection of the web server: slow, hostile and forbidden requests are ended here."""

from __future__ import annotations

import json
import socket
import time
from collections.abc import Callable, Iterable
from io import BytesIO
from typing import Any

from waitress.channel import HTTPChannel
from waitress.task import ErrorTask, WSGITask

from pawnlore.service.access.guard import REFUSED
from pawnlore.service.api.problems import CONTENT_TYPE, Problem, problem_document
from pawnlore.service.body_judge import JUDGED
from pawnlore.service.logs import tell
from pawnlore.service.strict_parser import Refusal, StrictParser, too_large

HEADER_BYTES = 64 * 1024
"""All headers of one request together."""

LINGER_SECONDS = 5.0
"""How long the rest of a refused body is let in and thrown away.

Who sends it would otherwise meet a connection that is reset, and not the answer.
"""

LINGER_BYTES = 256 << 20
"""How much of it."""

_DETAILS = {
    400: "The request is not well formed HTTP.",
    413: "The body is larger than anything that fits here.",
    431: f"The headers are larger than the {HEADER_BYTES:,} bytes that fit here.",
    500: "Something went wrong inside the service; this is no fault of yours.",
}


class _ProblemTask(ErrorTask):  # type: ignore[misc]
    """Tells what the server itself refuses as a problem, as the application does."""

    def execute(self) -> None:
        error = self.request.error
        # There may be bytes on the way that nobody will read.
        self.channel.refused_body = True
        tell("refused", status=error.code, peer=self.channel.addr[0])
        kind = getattr(error, "kind", None) or ("too-large" if error.code == 413 else None)
        detail = getattr(error, "detail", "") or _DETAILS.get(error.code, error.reason)
        body = json.dumps(problem_document(error.code, detail, kind=kind)).encode()
        self.status = f"{error.code} {error.reason}"
        self.response_headers.append(("Content-Type", CONTENT_TYPE))
        self.set_close_on_finish()
        self.content_length = len(body)
        # An answer to HEAD tells the length and has no body (RFC 9110, section 9.3.2).
        self.write(b"" if getattr(self.request, "command", "") == "HEAD" else body)


class _Task(WSGITask):  # type: ignore[misc]
    """A request for the application, which is told where its body was not taken."""

    def get_environment(self) -> dict[str, Any]:
        environ: dict[str, Any] = super().get_environment()
        if self.request.withheld is not None:
            environ[REFUSED] = self.request.withheld
        return environ


class _Judgement:
    """Judges the head of a request, in a thread that may wait for the store."""

    def __init__(self, channel: Channel, request: StrictParser) -> None:
        self.channel = channel
        self.request = request

    def service(self) -> None:
        """Judge, and let the connection go on."""
        refused: BaseException | None = Problem(400, "The request is not well formed.")
        most = 0
        try:
            environ = WSGITask(self.channel, self.request).get_environment()
            environ["wsgi.input"] = BytesIO()
            list(self.channel.server.judge(environ, lambda *_: None))
            refused, most = environ.get(JUDGED, (refused, most))
        finally:
            self.channel.judged(self.request, refused, most)

    def cancel(self) -> None:
        """The server stops: there is nobody left to answer."""
        self.channel.cancel()


class Channel(HTTPChannel):  # type: ignore[misc]
    """A connection that knows since when a request has been arriving, and from whom."""

    parser_class = StrictParser
    task_class = _Task
    error_task_class = _ProblemTask
    arriving_since = 0.0
    judging = False
    lingers_until = 0.0
    lingers_for = 0
    refused_body = False
    request: Any  # what is arriving: a parser, or none
    requests: list[Any]
    total_outbufs_len: int

    def received(self, data: bytes) -> bool:
        """Take bytes from the caller."""
        if self.request is None:
            self.arriving_since = time.monotonic()
        taken = bool(super().received(data))
        with self.requests_lock:
            request = self.request
            judge = request is not None and request.judge_first and not self.judging
            self.judging = self.judging or judge
        if judge:
            self.server.add_task(_Judgement(self, request))
        return taken

    def judged(self, request: StrictParser, refused: BaseException | None, most: int) -> None:
        """Go on with a request whose head was judged."""
        with self.requests_lock:
            self.judging = False
            request.judge_first = False
            if request is self.request:
                if refused is not None:
                    request.withheld = refused
                    request.headers["CONNECTION"] = "close"
                    self._end_arriving()
                else:
                    self._let_in(request, most)
        self.server.pull_trigger()

    def _let_in(self, request: StrictParser, most: int) -> None:
        request.most = most
        if request.body_rcv is not None and len(request.body_rcv) > most:
            request.error = too_large(most)
            self._end_arriving()
        elif request.waits_for_leave:
            request.expect_continue = True
            if not self.requests and not self.sent_continue:
                self.send_continue()

    def _end_arriving(self) -> None:
        """Let the request that is arriving be answered as it is, and take nothing more."""
        request = self.request
        request.completed = True
        self.refused_body = True
        self.request = None
        self.sent_continue = False
        self.requests.append(request)
        if len(self.requests) == 1:
            self.server.add_task(self)

    def readable(self) -> bool:
        """Whether bytes are wanted."""
        if self.lingers_until:
            return True
        return not self.judging and not self.refused_body and bool(super().readable())

    def handle_read(self) -> None:
        """Read what came, or throw it away where the answer is given already."""
        if not self.lingers_until:
            super().handle_read()
            return
        try:
            data = self.recv(self.adj.recv_bytes)
        except OSError:
            data = b""
        self.lingers_for += len(data)
        if not data or self.lingers_for > LINGER_BYTES or time.monotonic() > self.lingers_until:
            self.handle_close()

    def handle_close(self) -> None:
        """End the connection, at once or when a refused body has been thrown away."""
        if self.refused_body and self.connected and not self.lingers_until:
            self.lingers_until = time.monotonic() + LINGER_SECONDS
            self.will_close = False
            try:
                self.socket.shutdown(socket.SHUT_WR)
            except OSError:
                pass
            else:
                return
        super().handle_close()

    @property
    def busy(self) -> bool:
        """Whether a request is arriving, worked on or being answered."""
        return bool(self.requests or self.request is not None or self.total_outbufs_len)

    def look_at_clock(self, seconds: float) -> None:
        """Answer a request that has been arriving for longer than this, and end."""
        if self.lingers_until:
            if time.monotonic() > self.lingers_until:
                self.handle_close()
            return
        with self.requests_lock:
            request = self.request
            if request is None or time.monotonic() - self.arriving_since < seconds:
                return
            request.error = Refusal("The request took too long to arrive.", 408)
            self._end_arriving()


Judge = Callable[[dict[str, Any], Callable[..., Any]], Iterable[bytes]]
"""A WSGI application that puts down a judgement; see `body_judge`."""
