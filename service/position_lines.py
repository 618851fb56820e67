"""Reading position lines, one FEN or EPD each, in bounded memory."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import BinaryIO

from pawnlore.structures.position_check import skeleton_of_line
from pawnlore.structures.skeleton import Skeleton, SkeletonError

LINE_LIMIT = 4096
"""Bytes of one line; an EPD with its operations is far shorter."""

_SHOWN = 120
_REPLACED = "\N{REPLACEMENT CHARACTER}"


@dataclass(frozen=True, slots=True)
class PositionLine:
    """One input line: its text, and its skeleton or what is wrong with it."""

    number: int
    text: str
    skeleton: Skeleton | None
    error: str


def read_position_lines(stream: BinaryIO) -> Iterator[PositionLine]:
    """Walk the lines of a stream; every line gives one value, in order.

    A line over `LINE_LIMIT` bytes is shown cut short and is an error; the rest
    of it is passed over without being held in memory.

    >>> import io
    >>> [line.error for line in read_position_lines(io.BytesIO(b"8/8/8"))]
    ['the placement has 3 ranks instead of 8']
    """
    number = 0
    while raw := stream.readline(LINE_LIMIT + 1):
        number += 1
        too_long = len(raw) > LINE_LIMIT and not raw.endswith(b"\n")
        if too_long:
            while (rest := stream.readline(1 << 16)) and not rest.endswith(b"\n"):
                pass
        if number == 1 and raw.startswith(b"\xef\xbb\xbf"):
            raw = raw[3:]
        text = raw.decode("utf-8", errors="replace").rstrip("\r\n")
        if too_long:
            problem = f"the line is longer than {LINE_LIMIT} bytes"
            yield PositionLine(number, _printable(text), None, problem)
            continue
        if "\0" in text:
            yield PositionLine(number, _printable(text), None, "the line is binary, not text")
            continue
        try:
            yield PositionLine(number, _harmless(text.strip()), skeleton_of_line(text), "")
        except SkeletonError as error:
            yield PositionLine(number, _printable(text), None, str(error))


def _harmless(text: str) -> str:
    """The text with control characters replaced, for a terminal obeys them; tabs stay."""
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() or c == "\t" else _REPLACED for c in text)


def _printable(text: str) -> str:
    """The text with control characters replaced, cut short where it is long."""
    shown = "".join(c if c.isprintable() else _REPLACED for c in text)
    return shown if len(shown) <= _SHOWN else shown[:_SHOWN] + "…"
