"""``/api/positions``: moves played from a position, and where a repertoire has what is reached."""

from __future__ import annotations

import chess
from flask import Blueprint, Response

from pawnlore.service.access.needs import READ, needs, students_may
from pawnlore.service.api.answers import json_answer
from pawnlore.service.api.classify import FEN
from pawnlore.service.api.describe import JSON, Answer, Operation, described, query
from pawnlore.service.api.repertoires import ID
from pawnlore.service.api.repertoires_at_hand import provide_repertoires, repertoires
from pawnlore.service.api.request_values import invalid, query_values
from pawnlore.service.api.schemas import NUMBER, TEXT, TRUTH, thing
from pawnlore.service.played_line import MOST_PLIES, MOVES_LENGTH, PlayedLine, play_line
from pawnlore.structures.skeleton import SkeletonError

resources = Blueprint("api-positions", __name__)
resources.record(provide_repertoires)

_START = query(
    "fen",
    {key: value for key, value in FEN.schema.items() if key != "minLength"},
    "Where the moves begin; without it, or empty, a game's beginning.",
)
_MOVES = query(
    "moves",
    {"type": "string", "maxLength": MOVES_LENGTH},
    f"Moves in SAN, with or without numbers: at most {MOST_PLIES} half-moves.",
)
_SQUARE = {"type": "string", "pattern": "^[a-h][1-8]$"}
_SIDE = {"enum": ["white", "black", None]}
_LINE = thing(
    {
        "fen": {"type": "string", "description": "The position that is reached."},
        "moves": {"type": "array", "items": TEXT, "description": "What was played, in SAN."},
        "to_move": {**_SIDE, "description": "null where nobody said who is to move."},
        "check": TRUTH,
        "legal": {
            "type": "array",
            "items": thing(
                {"san": TEXT, "from": _SQUARE, "to": _SQUARE},
                {"becomes": {"enum": ["queen", "rook", "bishop", "knight"]}},
            ),
            "description": "The moves that can be played here.",
        },
    },
    {
        "fault": {"type": "string", "description": "Why the line ends before all of its moves."},
        "rest": {"type": "string", "description": "The moves that were not played."},
    },
)
_PLACES = thing(
    {
        "fen": TEXT,
        "lines": {**NUMBER, "description": "The repertoire's lines that pass the position."},
        "complete": {
            **TRUTH,
            "description": "Whether all boards with these pawns were compared.",
        },
        "nodes": {
            "type": "array",
            "items": thing({"node": NUMBER, "chapter": TEXT}),
        },
        "moves": {
            "type": "array",
            "items": thing({"san": TEXT, "node": NUMBER, "lines": NUMBER}),
            "description": "How the repertoire goes on, its main line first.",
        },
    }
)


@resources.get("/api/positions")
@students_may()
@needs(READ)
@described(
    Operation(
        "playLine",
        "classify",
        "Moves played from a position, and the moves that can be played then",
        {200: Answer("The position that is reached.", {JSON: _LINE})},
        words=(
            "The moves are played as far as they can be: 'fault' and 'rest' tell of the others. "
            "A bare skeleton, or a placement without a side to move, has no moves."
        ),
        parameters=(_START, _MOVES),
        problems=(406, 422),
    )
)
def play() -> Response:
    """Play a line."""
    line = _line()
    board = line.board
    value = {
        "fen": line.fen,
        "moves": list(line.moves),
        "to_move": None if board is None else chess.COLOR_NAMES[board.turn],
        "check": board is not None and board.is_check(),
        "legal": [
            {"san": move.san, "from": move.start, "to": move.end}
            | ({"becomes": move.becomes} if move.becomes else {})
            for move in line.legal()
        ],
    }
    if line.fault:
        value |= {"fault": line.fault, "rest": line.rest}
    return json_answer(value)


@resources.get("/api/repertoires/<id>/positions")
@students_may("id")
@needs(READ)
@described(
    Operation(
        "findPosition",
        "repertoires",
        "Where a repertoire has a position, whatever the order of moves, and how it goes on",
        {200: Answer("The nodes and the moves.", {JSON: _PLACES})},
        words=(
            "The position is named as for 'playLine'. Moves that cannot be played, and pawns "
            "without a side to move, are nowhere."
        ),
        parameters=(ID, _START, _MOVES),
        problems=(404, 406, 422),
    )
)
def find(id: str) -> Response:
    """Where a repertoire has a position."""
    line = _line()
    opened = repertoires().desk.open(id)
    if line.board is None or line.fault:
        return json_answer(
            {"fen": line.fen, "lines": 0, "complete": True, "nodes": [], "moves": []}
        )
    found = opened.places.of(line.board)
    book = opened.work.book
    return json_answer(
        {
            "fen": line.fen,
            "lines": found.lines,
            "complete": found.complete,
            "nodes": [
                {"node": node, "chapter": book.game_of(node).chapter} for node in found.nodes
            ],
            "moves": [
                {"san": move.san, "node": move.node, "lines": move.lines} for move in found.moves
            ],
        }
    )


def _line() -> PlayedLine:
    values = query_values(_START, _MOVES)
    try:
        return play_line(values.get("fen", ""), values.get("moves", ""))
    except SkeletonError as error:
        invalid([f"the position cannot be read: {error}"], 422)
