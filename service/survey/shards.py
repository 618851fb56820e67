"""How the input is cut into shards that can be read independently, on any machine."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import IO, Any

from pawnlore.service.survey.text_source import WIDE, Unreadable, compression_of, open_file

SHARD_BYTES = 64 << 20
"""Bytes of plain text in a shard, unless another size is chosen."""

NEXT_GAME = re.compile(rb'\n\[Event[ \t]{1,8}"')
"""A line that begins a game, whatever stands before it."""

_STEP, _OVERLAP = 1 << 20, 24


@dataclass(frozen=True)
class Shard:
    """A piece of one collection: its bytes ``begin`` to ``end``, as they stand in the file.

    Compressed files and those in UTF-16 are one shard each, because their
    middle cannot be found.
    """

    number: int
    path: str
    begin: int
    end: int
    compression: str


@dataclass(frozen=True)
class Input:
    """One collection: its path, size in bytes, what tells a changed file, and its compression.

    ``trouble`` says why it cannot be read, or nothing.
    """

    path: str
    size: int
    stamp: str
    compression: str
    trouble: str = ""


def look_at(path: str) -> Input:
    """What there is to know of a collection before it is read."""
    import fsspec

    try:
        fs, inner = fsspec.core.url_to_fs(path)
        if fs.isdir(inner):
            return Input(path, 0, "", "", "this is a folder; name the files in it")
        told: dict[str, Any] = fs.info(inner)
        size = int(told.get("size") or 0)
        stamp = str(told.get("mtime") or told.get("ETag") or told.get("LastModified") or "")
        with open_file(path) as stream:
            head = stream.read(8192)
        compression = "utf-16" if head.startswith(WIDE) else compression_of(head)
        return Input(path, size, stamp, compression)
    except Unreadable as error:
        return Input(path, 0, "", "", str(error))
    except FileNotFoundError:
        return Input(path, 0, "", "", "there is no such file")
    except (OSError, ValueError, ImportError) as error:
        return Input(path, 0, "", "", f"the file cannot be read: {error}")


def plan(inputs: Sequence[Input], shard_bytes: int = SHARD_BYTES) -> list[Shard]:
    """The shards of all inputs that can be read, in order; the same plan every time."""
    found: list[Shard] = []
    for given in inputs:
        if given.trouble:
            continue
        cuts = [0]
        if not given.compression and given.size > shard_bytes:
            with open_file(given.path) as stream:
                for wanted in range(shard_bytes, given.size, shard_bytes):
                    if wanted > cuts[-1]:
                        at = _next_game(stream, wanted, given.size)
                        if cuts[-1] < at < given.size:
                            cuts.append(at)
                        elif at >= given.size:
                            break
        for begin, end in zip(cuts, [*cuts[1:], given.size], strict=True):
            found.append(Shard(len(found), given.path, begin, end, given.compression))
    return found


def _next_game(stream: IO[bytes], at: int, size: int) -> int:
    """The first place from ``at`` on where an Event header begins a line, else the size."""
    stream.seek(at - 1)
    rest = b""
    while True:
        data = stream.read(_STEP)
        if not data:
            return size
        window = rest + data
        found = NEXT_GAME.search(window)
        if found:
            return at + found.start()
        keep = min(_OVERLAP, len(window))
        at += len(window) - keep
        rest = window[len(window) - keep :]
