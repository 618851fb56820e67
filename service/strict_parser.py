"""Reading requests strictly: what programs may understand in two ways is refused.

Waitress reads the request; what it lets pass and RFC 9112 does not is refused
here, with 400 and a problem document, before any of it reaches the application.
Two programs that see different requests in the same bytes, such as a proxy and
this service, are how requests are smuggled past a guard.
"""

from __future__ import annotations

import re
from io import BytesIO
from typing import Any, NoReturn

from waitress.parser import HTTPRequestParser, ParsingError, TransferEncodingNotImplemented
from waitress.utilities import BadRequest

from pawnlore.service.chunked_body import ChunkedBody

FREE_BYTES = 64 * 1024
"""A body up to this size is taken without looking at the head first; it stays in memory."""

_CODING = re.compile(rb"^transfer-encoding:(.*)$", re.I | re.M)
_TARGET = re.compile(r"(https?)://([^/?#]*)", re.I)
_PORTS = {"http": ":80", "https": ":443"}


class Refusal(BadRequest):  # type: ignore[misc]
    """Why a request is refused before the application sees it."""

    def __init__(self, detail: str, code: int = 400, *, kind: str | None = None) -> None:
        super().__init__(detail)
        self.code = code
        self.reason = _REASONS[code]
        self.detail = detail
        self.kind = kind


_REASONS = {
    400: "Bad Request",
    408: "Request Timeout",
    413: "Content Too Large",
    421: "Misdirected Request",
    431: "Request Header Fields Too Large",
}


class _Refused(ParsingError):  # type: ignore[misc]
    """Ends the reading of a head."""


class StrictParser(HTTPRequestParser):  # type: ignore[misc]
    """One request while it arrives.

    ``judge_first`` is true while the body must wait for somebody to judge the
    head; ``most`` is then set to the bytes that the body may have. ``withheld``
    is an error that the application shall raise in place of reading the body.
    """

    adj: Any
    body_rcv: Any
    chunked: bool
    command = ""
    completed: bool
    content_length: int
    error: Any
    expect_continue: bool
    headers: dict[str, str]
    path: str
    proxy_netloc: str
    proxy_scheme: str
    request_uri: str
    version: str

    judge_first = False
    most: int | None = None
    waits_for_leave = False
    withheld: BaseException | None = None
    _refusal: Refusal | None = None

    def received(self, data: bytes) -> int:
        """Take some bytes; gives back how many of them belong to this request."""
        taken = int(super().received(data))
        if self._refusal is not None and self.error is not None:
            self.error = self._refusal
        body = self.body_rcv
        if isinstance(body, ChunkedBody) and body.error and self.error in (None, body.error):
            self.error = Refusal(f"The body cannot be read: {body.error}.")
            self.completed = True
        elif body is not None and self.most is not None and len(body) > self.most:
            self.error = too_large(self.most)
            self.completed = True
        if self.error is not None:
            self.expect_continue = self.judge_first = False
        return taken

    def parse_header(self, header_plus: bytes) -> None:
        """Read the head; raises `ParsingError` where it is refused."""
        coded = self._check_bytes(header_plus)
        try:
            super().parse_header(header_plus)
        except TransferEncodingNotImplemented:
            self._refuse("The service takes a body in the transfer coding 'chunked' or in none.")
        except ValueError:
            # An address with half a bracket, or a length of thousands of digits.
            self._refuse("The request line or the length of the body is malformed.")
        if self.version not in ("1.0", "1.1"):
            self._refuse("The service speaks HTTP/1.1 and HTTP/1.0.")
        if coded and (self.version == "1.0" or "CONTENT_LENGTH" in self.headers):
            # RFC 9112, section 6.1 calls the one faulty and the other a likely attack.
            self._refuse("A body in chunks comes with HTTP/1.1 and without Content-Length.")
        self._check_target()
        if self.chunked:
            self.body_rcv = ChunkedBody(self.body_rcv.getbuf())
        if self.body_rcv is None:
            self.expect_continue = False
            return
        self.judge_first = self.chunked or self.content_length > FREE_BYTES
        if self.judge_first:
            self.waits_for_leave, self.expect_continue = self.expect_continue, False

    def get_body_stream(self) -> Any:
        """The body, as a file; empty where it was not taken."""
        return super().get_body_stream() if self.withheld is None else BytesIO()

    def _check_bytes(self, head: bytes) -> bool:
        """Look at the bytes of the head; tells whether the body is in chunks."""
        line = head.partition(b"\r\n")[0]
        self.command = line.partition(b" ")[0].decode("latin-1")
        if any(byte < 0x20 or byte == 0x7F for byte in line):
            self._refuse("The request line holds a control character.")
        if b"\r\n " in head or b"\r\n\t" in head:
            # RFC 9112, section 5.2: refuse it, or read it as a space.
            self._refuse("A header goes on in a second line, which is no longer allowed.")
        codings = _CODING.findall(head)
        if codings and [coding.strip(b" \t\r").lower() for coding in codings] != [b"chunked"]:
            self._refuse("The service takes a body in the transfer coding 'chunked' or in none.")
        return bool(codings)

    def _check_target(self) -> None:
        """The four forms of a request's target: RFC 9112, section 3.2."""
        target = self.request_uri
        if self.command == "CONNECT":
            self._refuse("The service is no proxy.")
        if "#" in target:
            self._refuse("The address holds a fragment, which is for the browser alone.")
        if target.startswith("/") or (target == "*" and self.command == "OPTIONS"):
            return
        found = _TARGET.match(target)
        if found is None or "@" in found[2]:
            self._refuse("The address must begin with / or with the service's own name.")
        scheme, host = found[1].lower(), self.headers.get("HOST", "")
        if _authority(found[2], scheme) != _authority(host, scheme):
            # Section 3.2.2: the address is what counts, and not the header.
            self._refuse(
                "The address and the header Host name different machines.",
                421,
                kind="wrong-host",
            )
        self.path = self.path or "/"

    def _refuse(self, detail: str, code: int = 400, *, kind: str | None = None) -> NoReturn:
        self._refusal = Refusal(detail, code, kind=kind)
        raise _Refused(detail)


def too_large(most: int) -> Refusal:
    """A body that is larger than what fits at its address."""
    return Refusal(
        f"The body is larger than the {most:,} bytes that fit here.", 413, kind="too-large"
    )


def _authority(text: str, scheme: str) -> str:
    """A host and its port, so that two spellings of one are the same.

    >>> _authority("Study.Example", "http") == _authority("study.example:80", "http")
    True
    """
    lowered = text.lower()
    return lowered if re.search(r":\d+\Z", lowered) else lowered.rstrip(".:") + _PORTS[scheme]
