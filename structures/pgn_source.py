"""Lines of a PGN file: opened, decoded and bounded."""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from typing import IO, cast

Progress = Callable[[int], None]
"""Told, now and again, how many more bytes were read."""

Report = Callable[..., None]
"""Takes a message and ``warning=True`` where nothing was left out."""

_UNDECODED = re.compile("[\udc80-\udcff]")
_COMPRESSED = (b"\x1f\x8b", b"PK\x03\x04", b"BZh", b"\xfd7zXZ", b"\x28\xb5\x2f\xfd", b"7z\xbc\xaf")
_HEAD = 8192


class RefusedFile(ValueError):
    """A file that holds no text; the message is meant for people."""


class _Counted(io.RawIOBase):
    """A binary stream whose first bytes were read already, and which counts."""

    def __init__(self, head: bytes, stream: IO[bytes], progress: Progress | None) -> None:
        self._head = head
        self._stream = stream
        self._progress = progress

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: bytearray) -> int:  # type: ignore[override]
        data = self._head[: len(buffer)] or self._stream.read(len(buffer)) or b""
        self._head = self._head[len(data) :]
        buffer[: len(data)] = data
        if self._progress is not None:
            self._progress(len(data))
        return len(data)


def _as_text(stream: IO[bytes], progress: Progress | None) -> io.TextIOWrapper:
    head = b""
    while len(head) < _HEAD:
        more = stream.read(_HEAD - len(head))
        if not more:
            break
        head += more
    if head.startswith(_COMPRESSED):
        raise RefusedFile("the file is compressed; unpack it first")
    wide = head.startswith((b"\xff\xfe", b"\xfe\xff"))
    if not wide and b"\0" in head:
        raise RefusedFile("the file is binary (it holds NUL bytes), no PGN text; it is not read")
    raw: io.RawIOBase = _Counted(head, stream, progress)
    buffered = io.BufferedReader(raw, 1 << 16)
    if wide:
        return io.TextIOWrapper(buffered, encoding="utf-16", errors="replace", newline=None)
    # Bytes that are no UTF-8 survive as surrogates, and `_western` reads them
    # again: a stream cannot be rewound to try another encoding.
    return io.TextIOWrapper(buffered, encoding="utf-8-sig", errors="surrogateescape", newline=None)


def _western(line: str) -> str:
    raw = line.encode("utf-8", "surrogateescape")
    try:
        return raw.decode("cp1252")
    except UnicodeDecodeError:
        return raw.decode("latin-1")


class PgnLines:
    """The lines of one file, one at a time, none longer than the limit.

    ``number`` is the number of the line given last, from 1. ``cut`` is true
    when that line was longer than the limit: its rest is gone.
    """

    def __init__(
        self,
        stream: IO[bytes] | IO[str],
        limit: int,
        report: Report,
        progress: Progress | None = None,
    ) -> None:
        """Raises `RefusedFile` where the stream begins like a binary file."""
        self._readline: Callable[[int], str]
        if isinstance(stream.read(0), str):
            self._readline = cast(IO[str], stream).readline
        else:
            self._readline = _as_text(cast(IO[bytes], stream), progress).readline
        self._limit = limit
        self._report = report
        self._western_seen = False
        self._ended = False
        self.number = 0
        self.cut = False

    def next(self) -> str:
        """The next line with its newline, or an empty string at the end."""
        if self._ended:
            return ""
        self.cut = False
        line = self._readline(self._limit + 1)
        self.number += 1
        if len(line) > self._limit and line[-1] != "\n":
            line = self._cut(line)
        if "\0" in line:
            self._ended = True
            self._report("binary data (a NUL byte): the file is not read from here on")
            return ""
        if not line.isascii():
            line = self._decoded(line)
        return line

    def _decoded(self, line: str) -> str:
        if _UNDECODED.search(line):
            line = _western(line)
            if not self._western_seen:
                self._western_seen = True
                self._report(
                    "the text is no UTF-8; lines like this one are read as Windows-1252 (Latin-1)",
                    warning=True,
                )
        return line.lstrip("\ufeff")

    def _cut(self, line: str) -> str:
        self.cut = True
        while True:
            rest = self._readline(self._limit)
            if not rest or rest[-1] == "\n":
                break
        self._report(f"the line is longer than {self._limit:,} characters; its rest is left out")
        # A move may be cut in two, so the last word goes too.
        return line[: max(line.rfind(" ", 0, self._limit), 0) or self._limit] + "\n"
