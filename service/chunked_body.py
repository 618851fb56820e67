"""A body in chunks (RFC 9112, section 7.1), read strictly and in bounded memory."""

from __future__ import annotations

import re
from typing import Any

LINE_BYTES = 1024
"""The longest line that tells of a chunk, with its extensions, or of a trailer field."""

TRAILER_BYTES = 8 * 1024
"""All trailer fields together; they are read and left out."""

_SIZE = re.compile(rb"([0-9A-Fa-f]{1,15})(?:[ \t]*;[\t\x20-\x7e\x80-\xff]*)?")
_FIELD = re.compile(rb"[!#$%&'*+\-.^_`|~0-9A-Za-z]+:[\t\x20-\x7e\x80-\xff]*")


class ChunkedBody:
    r"""Takes a body apart as it comes; a receiver as waitress has them.

    ``error`` says in words what is wrong with it, once something is. Lines must
    end as the standard says, because whoever is more lenient than a proxy in
    front of it can be made to see another request than the proxy saw.

    >>> from waitress.buffers import OverflowableBuffer
    >>> body = ChunkedBody(OverflowableBuffer(1000))
    >>> body.received(b"3\r\nabc\r\n0\r\n\r\nGET /"), body.completed, body.getbuf().get(9)
    (13, True, b'abc')
    """

    def __init__(self, buffer: Any) -> None:
        self.completed = False
        self.error = ""
        self._buffer = buffer
        self._line = b""
        self._rest = 0
        self._trailer = 0
        self._expects = "size"

    def __len__(self) -> int:
        return int(self._buffer.__len__())

    def getfile(self) -> Any:
        """What came so far, as a file."""
        return self._buffer.getfile()

    def getbuf(self) -> Any:
        """The buffer that holds what came."""
        return self._buffer

    def received(self, data: bytes) -> int:
        """Take some bytes; gives back how many of them belong to the body."""
        place = 0
        while place < len(data) and not self.completed and not self.error:
            if self._rest:
                part = data[place : place + self._rest]
                self._buffer.append(part)
                self._rest -= len(part)
                place += len(part)
            else:
                place = self._take_line(data, place)
        return len(data) if self.error else place

    def _take_line(self, data: bytes, place: int) -> int:
        end = data.find(b"\n", place) + 1
        self._line += data[place : end or len(data)]
        if len(self._line) > LINE_BYTES:
            self.error = "a line between its chunks is too long"
        elif end:
            line, self._line = self._line, b""
            if line.endswith(b"\r\n"):
                self._read_line(line[:-2])
            else:
                self.error = "a line between its chunks does not end with CR LF"
        return end or len(data)

    def _read_line(self, line: bytes) -> None:
        if self._expects == "end":
            self._expects = "size"
            if line:
                self.error = "a chunk is longer than it says"
        elif self._expects == "trailer":
            self._trailer += len(line)
            if not line:
                self.completed = True
            elif not _FIELD.fullmatch(line) or self._trailer > TRAILER_BYTES:
                self.error = "what follows its last chunk is malformed or too long"
        else:
            found = _SIZE.fullmatch(line)
            if found is None:
                self.error = "the size of a chunk is malformed"
            else:
                self._rest = int(found[1], 16)
                self._expects = "end" if self._rest else "trailer"
