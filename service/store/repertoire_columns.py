"""A repertoire and its verdicts as plain bytes, column by column, and back.

Numbers are little-endian, texts JSON or lines of UTF-8, each compressed with
zlib. Nothing is pickled.
"""

from __future__ import annotations

import json
import sys
import zlib
from array import array
from collections.abc import Mapping
from dataclasses import astuple
from typing import Any

import numpy as np

from pawnlore.service.store.errors import StoreUnavailable
from pawnlore.structures.distinct_verdicts import DistinctVerdicts, distinct_skeletons
from pawnlore.structures.pgn_problem import ReadProblem
from pawnlore.structures.repertoire import Comment, Game, Repertoire
from pawnlore.structures.verdict import Verdicts

_NUMBERS = ("parent", "ply", "pawns")
_VERDICTS = (
    ("family", "<i2"),
    ("holder", "<i1"),
    ("probability", "<f8"),
    ("core", "<u1"),
    ("second", "<i2"),
    ("second_holder", "<i1"),
    ("second_probability", "<f8"),
)


def packed(book: Repertoire, distinct: DistinctVerdicts) -> dict[str, bytes]:
    """The columns of a repertoire, by name."""
    columns = {name: _array_bytes(getattr(book, name)) for name in _NUMBERS}
    if book.positions is not None:
        columns["positions"] = _array_bytes(book.positions)
    columns["moves"] = "\n".join(book.moves).encode()
    if book.fens is not None:
        columns["fens"] = "\n".join(book.fens).encode()
    columns["rest"] = _json(
        {
            "comments": [[node, *comments] for node, comments in book.comments.items()],
            "glyphs": list(book.glyphs.items()),
            "varies": list(book.varies.items()),
            "games": [_game_row(game) for game in book.games],
            "problems": [astuple(problem) for problem in book.problems],
            "unnamed_problems": book.unnamed_problems,
            "files": book.files,
        }
    )
    verdicts = distinct.verdicts
    columns["names"] = _json(verdicts.names)
    for name, kind in _VERDICTS:
        columns[name] = getattr(verdicts, name).astype(kind).tobytes()
    return {name: zlib.compress(content, 1) for name, content in columns.items()}


def unpacked(columns: Mapping[str, bytes]) -> tuple[Repertoire, DistinctVerdicts]:
    """What `packed` packed; raises `StoreUnavailable` for columns that are damaged."""
    try:
        return _unpacked({name: zlib.decompress(content) for name, content in columns.items()})
    except (KeyError, ValueError, TypeError, IndexError, zlib.error):
        raise StoreUnavailable(
            "the nodes of this repertoire are damaged in the store; upload its PGN again"
        ) from None


def _unpacked(raw: Mapping[str, bytes]) -> tuple[Repertoire, DistinctVerdicts]:
    rest = json.loads(raw["rest"])
    book = Repertoire(
        parent=_array("i", raw["parent"]),
        ply=_array("i", raw["ply"]),
        pawns=_array("Q", raw["pawns"]),
        moves=raw["moves"].decode().split("\n") if raw["parent"] else [],
        comments={
            node: [Comment(*comment) for comment in comments]
            for node, *comments in rest["comments"]
        },
        glyphs={node: glyphs for node, glyphs in rest["glyphs"]},
        varies={node: other for node, other in rest["varies"]},
        fens=raw["fens"].decode().split("\n") if raw.get("fens") else None,
        positions=_array("i", raw["positions"]) if "positions" in raw else None,
        games=[_game(row) for row in rest["games"]],
        problems=[ReadProblem(*row) for row in rest["problems"]],
        unnamed_problems=rest["unnamed_problems"],
        files=rest["files"],
    )
    if len(book.moves) != len(book) or len(book.pawns) != 2 * len(book):
        raise ValueError("columns of different lengths")
    columns: dict[str, Any] = {
        name: np.frombuffer(raw[name], dtype=kind) for name, kind in _VERDICTS
    }
    columns["core"] = columns["core"].astype(bool)
    masks, inverse = distinct_skeletons(book.masks)
    if any(len(column) != len(masks) for column in columns.values()):
        raise ValueError("verdicts for other skeletons")
    verdicts = Verdicts(tuple(json.loads(raw["names"])), **columns)
    return book, DistinctVerdicts(masks, verdicts, inverse)


def _game_row(game: Game) -> list[Any]:
    return [
        game.file,
        game.number,
        game.chapter,
        game.headers,
        game.result,
        game.first,
        game.count,
        game.fen,
        game.line,
        game.preamble,
    ]


def _game(row: list[Any]) -> Game:
    file, number, chapter, headers, result, first, count, fen, line, preamble = row
    return Game(
        file,
        number,
        chapter,
        tuple((name, value) for name, value in headers),
        result,
        first,
        count,
        fen,
        line,
        tuple(Comment(*comment) for comment in preamble),
    )


def _json(value: object) -> bytes:
    # In ASCII, so that any text can be held.
    return json.dumps(value, separators=(",", ":")).encode("ascii")


def _array_bytes(column: array[int]) -> bytes:
    if sys.byteorder == "big":
        column = column[:]
        column.byteswap()
    return column.tobytes()


def _array(kind: str, raw: bytes) -> array[int]:
    column = array(kind)
    column.frombytes(raw)
    if sys.byteorder == "big":
        column.byteswap()
    return column
