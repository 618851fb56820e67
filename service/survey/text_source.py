"""Game collections as blocks of UTF-8 text: plain, gzip, bzip2 or Zstandard, from anywhere.

Files are opened through fsspec, so that a path may name a folder of this
machine or any store that fsspec knows. A block ends wherever it does; whoever
takes blocks keeps what is left of the last game.
"""

from __future__ import annotations

import bz2
import zlib
from collections.abc import Callable, Iterator
from typing import IO, Any

import numpy as np

GZIP, BZIP2, ZSTANDARD = b"\x1f\x8b", b"BZh", b"\x28\xb5\x2f\xfd"
_OTHER = {b"PK\x03\x04": "zip", b"\xfd7zXZ": "xz", b"7z\xbc\xaf": "7-Zip"}
WIDE = (b"\xff\xfe", b"\xfe\xff")
_BLOCK = 1 << 20
_PACKED = 1 << 17
_SMALL = 1 << 15


class Unreadable(Exception):
    """A collection that cannot be read at all, or not to its end; the message is for people."""


def compression_of(head: bytes) -> str:
    """How a file is compressed, by its first bytes: empty, gzip, bzip2 or zstd.

    Raises `Unreadable` for what holds no PGN text.
    """
    for mark, name in _OTHER.items():
        if head.startswith(mark):
            raise Unreadable(f"{name} archives are not read; unpack it, or pack it as Zstandard")
    for mark, name in ((GZIP, "gzip"), (BZIP2, "bzip2"), (ZSTANDARD, "zstd")):
        if head.startswith(mark):
            return name
    if b"\0" in head[:4096] and not head.startswith(WIDE):
        raise Unreadable("the file is binary (it holds NUL bytes), no PGN text")
    return ""


def open_file(path: str) -> IO[bytes]:
    """Open a file for reading, wherever fsspec finds it."""
    import fsspec

    return fsspec.open(path, "rb").open()  # type: ignore[no-any-return]


def blocks(stream: IO[bytes], compression: str) -> Iterator[bytes]:
    """The text of a stream, unpacked, in blocks of some size.

    Raises `Unreadable` where an archive ends too soon or is damaged; all that
    could be unpacked has been given by then.
    """
    try:
        if compression == "gzip":
            yield from _unpacked(stream, lambda: zlib.decompressobj(wbits=31))
        elif compression == "bzip2":
            yield from _unpacked(stream, bz2.BZ2Decompressor)
        elif compression == "zstd":
            yield from _zstandard(stream)
        else:
            while block := stream.read(_BLOCK):
                yield block
    except (EOFError, OSError, zlib.error, ValueError) as error:
        if isinstance(error, OSError) and error.errno:
            raise Unreadable(f"the file cannot be read: {error.strerror}") from None
        raise Unreadable(f"the archive is damaged or cut off ({error})") from None


def _unpacked(stream: IO[bytes], begin: Callable[[], Any]) -> Iterator[bytes]:
    """What a decompressor of the standard library makes of a stream of several members."""
    packed = b""
    unpack = begin()
    fresh = True
    while True:
        packed = packed or stream.read(_PACKED)
        if not packed:
            if not fresh:
                raise EOFError("it ends before its end mark")
            return
        if fresh and not packed.strip(b"\0"):
            packed = b""  # padding behind the last member
            continue
        fresh = False
        # Never all that is in it at once: a kilobyte can hold a gigabyte of the same letter.
        while text := unpack.decompress(packed, _BLOCK):
            packed = getattr(unpack, "unconsumed_tail", b"")
            yield text
            if unpack.eof:
                break
        packed = b""
        if unpack.eof:
            packed = unpack.unused_data
            unpack, fresh = begin(), True


def _zstandard(stream: IO[bytes]) -> Iterator[bytes]:
    import pyarrow as pa

    # Small reads, so that little is lost where the archive is cut off.
    inner = pa.CompressedInputStream(pa.PythonFile(stream, "r"), "zstd")
    while text := inner.read(_SMALL):
        yield text


def as_utf8(block: bytes, longer: list[tuple[int, int]] | None = None) -> bytes:
    r"""The same text in UTF-8; lines that are not are taken for Windows-1252 or Latin-1.

    NUL bytes, which no text has, become spaces. ``longer`` is given, for each line
    that is written anew, where it ends in the new text and by how many bytes it grew.

    >>> as_utf8("[White \"Müller\"]".encode("latin-1")).decode()
    '[White "Müller"]'
    """
    if b"\0" in block:
        block = block.replace(b"\0", b" ")
    if block.isascii():
        return block
    try:
        block.decode("utf-8")
        return block
    except UnicodeDecodeError:
        pass
    # Only lines with other letters are looked at: there are few in a large text.
    letters = np.flatnonzero(np.frombuffer(block, dtype=np.uint8) >= 0x80)
    pieces, done, size = [], 0, 0
    at = 0
    while at < letters.shape[0]:
        begin = block.rfind(b"\n", 0, letters[at]) + 1
        end = block.find(b"\n", letters[at])
        end = len(block) if end < 0 else end
        line = block[begin:end]
        try:
            line.decode("utf-8")
        except UnicodeDecodeError:
            try:
                text = line.decode("cp1252")
            except UnicodeDecodeError:
                text = line.decode("latin-1")
            pieces += [block[done:begin], text.encode("utf-8")]
            done = end
            size += len(pieces[-2]) + len(pieces[-1])
            if longer is not None:
                longer.append((size, len(pieces[-1]) - len(line)))
        at = int(np.searchsorted(letters, end))
    pieces.append(block[done:])
    return b"".join(pieces)
