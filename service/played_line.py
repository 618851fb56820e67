"""A line that is played from a position: what the board is then, and what can be played.

The HTTP API and the pages both ask here, so that a browser needs no rules of chess.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import chess

from pawnlore.service.study_position import study_position
from pawnlore.structures.line_text import numbered_moves
from pawnlore.structures.query_position import QueryPosition

MOST_PLIES = 300
"""Half-moves of one line; longer ones are no lines of study."""

MOVES_LENGTH = 8 * MOST_PLIES
"""Characters of a text of moves."""

_NOT_A_MOVE = re.compile(r"\d{1,3}\.*\Z|\.+\Z|(1-0|0-1|1/2-1/2|\*)\Z")
_NUMBER = re.compile(r"\d+\.+\s*|…|\.\.\.")
_SQUARES = re.compile(r"([a-h][1-8])-?([a-h][1-8])=?([qrbnQRBN])?")
_SHOWN = 20


class MoveProblem(Exception):
    """A move that cannot be played; the message says which one and why."""


@dataclass(frozen=True, slots=True)
class LegalMove:
    """A move that can be played: SAN, squares by name, and what a pawn becomes."""

    san: str
    start: str
    end: str
    becomes: str = ""


@dataclass(frozen=True)
class PlayedLine:
    """A start, the moves that were played from it, and where they lead.

    ``start`` is the FEN as it was given, empty for a game's beginning.
    ``moves`` holds SAN. ``board`` is none where no moves can be played: for a
    bare skeleton, or where nobody said who is to move. ``fault`` says why the
    line ends before all that was asked for, and ``rest`` is what was not played.
    """

    start: str
    first: QueryPosition
    moves: tuple[str, ...]
    board: chess.Board | None
    fault: str = ""
    rest: str = ""

    @property
    def fen(self) -> str:
        """The position that is reached, as a FEN or, without a board, as it was given."""
        if self.board is None:
            return self.start
        return self.board.fen(en_passant="fen")

    @property
    def position(self) -> QueryPosition:
        """The position that is reached."""
        if not self.moves:
            return self.first
        return study_position(self.fen)

    @property
    def last(self) -> tuple[int, int] | None:
        """The squares of the move that was played last."""
        if self.board is None or not self.board.move_stack:
            return None
        move = self.board.move_stack[-1]
        return move.from_square, move.to_square

    def legal(self) -> list[LegalMove]:
        """Every move that can be played here, by SAN."""
        if self.board is None:
            return []
        found = []
        for move in self.board.legal_moves:
            becomes = chess.piece_name(move.promotion) if move.promotion else ""
            ends = chess.square_name(move.from_square), chess.square_name(move.to_square)
            found.append(LegalMove(self.board.san(move), *ends, becomes))
        return sorted(found, key=lambda one: one.san)

    def numbered(self) -> list[str]:
        """The moves with their numbers: ``1.d4``, ``d5``, ``2.c4``.

        >>> play_line("", "d4 d5 c4").numbered()
        ['1.d4', 'd5', '2.c4']
        >>> play_line("4k3/8/8/8/8/8/4P3/4K3 b - - 0 7", "Kd7 e4").numbered()
        ['7...Kd7', '8.e4']
        """
        if self.board is None:
            return []
        first = self.board.root()
        half = 2 * (max(1, first.fullmove_number) - 1) + (first.turn == chess.BLACK)
        return numbered_moves(self.moves, half)


def play_line(start: str = "", moves: str = "", more: str = "") -> PlayedLine:
    """Play moves from a position, as far as they can be played.

    ``start`` is a FEN, an EPD or a bare placement; empty is a game's beginning.
    ``moves`` and then ``more`` are SAN, with or without numbers; the two squares
    of a move are understood as well. Raises `SkeletonError` for a start that
    cannot be read.

    >>> line = play_line("", "1. d4 d5 2. c4", "e2e4")
    >>> line.moves, line.fault
    (('d4', 'd5', 'c4'), "'e2e4' cannot be played here: Black is to move")
    >>> play_line("", "1. e4 e5 2. Ke3").fault
    "'Ke3' cannot be played here"
    """
    start = " ".join(start.split())
    first = study_position(start or chess.STARTING_FEN)
    board = first.board.copy() if first.board is not None else None
    words = _words(moves, more)
    if board is None:
        fault = _no_board(start) if words else ""
        return PlayedLine(start, first, (), None, fault, " ".join(words))
    board.fullmove_number = max(1, board.fullmove_number)
    played: list[str] = []
    for place, word in enumerate(words):
        try:
            if len(played) >= MOST_PLIES:
                raise MoveProblem(f"a line holds at most {MOST_PLIES} half-moves")
            move = _move(board, word)
        except MoveProblem as problem:
            rest = " ".join(words[place:])
            return PlayedLine(start, first, tuple(played), board, str(problem), rest)
        played.append(board.san(move))
        board.push(move)
    return PlayedLine(start, first, tuple(played), board)


def _words(*texts: str) -> list[str]:
    joined = " ".join(text[:MOVES_LENGTH] for text in texts)
    # One more than can be played, so that the line says where it had to end.
    return [word for word in _NUMBER.sub(" ", joined).split() if not _NOT_A_MOVE.fullmatch(word)][
        : MOST_PLIES + 1
    ]


def _no_board(start: str) -> str:
    if set("Kk") & set(start.partition(" ")[0]):
        return "nobody said who is to move"
    return "without kings only the pawns are known, and no moves can be played"


def _move(board: chess.Board, word: str) -> chess.Move:
    shown = repr(word if len(word) <= _SHOWN else word[:_SHOWN] + "…")
    squares = _SQUARES.fullmatch(word)
    if squares:
        ends = chess.parse_square(squares[1]), chess.parse_square(squares[2])
        becomes = chess.PIECE_SYMBOLS.index(squares[3].lower()) if squares[3] else None
        move = chess.Move(*ends, promotion=becomes)
        if board.is_legal(move):
            return move
        piece = board.piece_at(ends[0])
        if piece is not None and piece.color != board.turn:
            turn = chess.COLOR_NAMES[board.turn].capitalize()
            raise MoveProblem(f"{shown} cannot be played here: {turn} is to move")
        raise MoveProblem(f"{shown} cannot be played here")
    try:
        move = board.parse_san(word)
    except chess.AmbiguousMoveError:
        raise MoveProblem(
            f"{shown} can be played by more than one piece; name its file or rank as well"
        ) from None
    except chess.IllegalMoveError:
        raise MoveProblem(f"{shown} cannot be played here") from None
    except ValueError:
        raise MoveProblem(f"{shown} is no move; moves are written like Nf3, exd5, O-O") from None
    if not move:
        raise MoveProblem("a side cannot pass")
    return move
