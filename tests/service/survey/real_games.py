"""Real games for the tests of the survey: every so-manieth of a public-domain collection.

    apt-get source --download-only gnuchess-book
    tar xf gnuchess-book_1.02.orig.tar.gz
    python tests/service/survey/real_games.py gnuchess-book-1.02/book_1.02.pgn

writes `REAL_GAMES` again. The collection is the opening book of GNU Chess as
games: 145,716 master games of 1792 to 2000, most of them since 1950, put
together by Stuart Cracraft and Simon Waters. Debian's source package
gnuchess-book 1.02-2.1 carries it (archive SHA-256
d673ffa6986a3beca27cc23ef126ea0a73f1098762e3ccd00f791c096f2bfb48), and its
copyright file places it in the public domain.

Only the headers Date, Result and ECO are kept, and the moves. Event is the
same for all; Round is the game's number in the collection, so that every game
can be found again and none is taken for a repetition of another. Players,
places and tournaments are left out.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator
from pathlib import Path

import pyarrow as pa

REAL_GAMES = Path(__file__).resolve().parent / "data" / "real_games.pgn.zst"

EVERY = 18
"""Every game whose number divides by this is taken, the first of all being number 1."""

_KEPT = ("Date", "Result", "ECO")
_HEADER = re.compile(rb'^\[(\w+) "([^"]*)"\]', re.M)


def real_games_text() -> str:
    """The games as PGN."""
    with pa.CompressedInputStream(pa.OSFile(str(REAL_GAMES)), "zstd") as stream:
        return bytes(stream.read()).decode("ascii")


def chosen(collection: bytes, every: int) -> Iterator[str]:
    """The games that are taken, as PGN without names."""
    games = re.split(rb"(?:^|\n)(?=\[Event )", collection)[1:]
    for number, game in enumerate(games, 1):
        if number % every:
            continue
        headers, _, moves = game.replace(b"\r", b"").partition(b"\n\n")
        values = {
            name.decode(): value.decode("ascii")
            for name, value in _HEADER.findall(headers)
            if name.decode() in _KEPT
        }
        told = [("Event", "Real games"), ("Round", str(number)), *values.items()]
        tags = "".join(f'[{name} "{value}"]\n' for name, value in told)
        yield f"{tags}\n{moves.decode('ascii').strip()}\n\n"


def main() -> None:
    """Write the file that the tests read."""
    source = Path(sys.argv[1])
    text = "".join(chosen(source.read_bytes(), EVERY))
    packed = pa.Codec("zstd", compression_level=22).compress(text.encode("ascii"), asbytes=True)
    REAL_GAMES.parent.mkdir(exist_ok=True)
    REAL_GAMES.write_bytes(packed)
    print(f"{REAL_GAMES}: {text.count('[Event ')} games, {len(packed):,} bytes")


if __name__ == "__main__":
    main()
