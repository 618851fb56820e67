"""Headers of a game, and the position from which it starts."""

from __future__ import annotations

import re

import chess

from pawnlore.structures.pgn_limits import FEN_LENGTH, MOVE_NUMBER

HEADER = re.compile(r'\s*\[\s*([A-Za-z0-9_][^\s"\[\]]*)\s+"((?:[^"\\\n]|\\.)*)"\s*\]')
"""A header as the standard writes it: quotes and backslashes are escaped."""

LOOSE_HEADER = re.compile(r'\s*\[\s*([A-Za-z0-9_][^\s"\[\]]*)\s+"(.*)"\s*\]\s*$')
"""A header whose value has bare quotes in it, alone on its line."""

HEADER_START = re.compile(r'\s*\[\s*[A-Za-z0-9_][^\s"\[\]]*\s+"')
"""How a line begins that holds a header."""

NEXT_HEADER = re.compile(r"\s*\[")
"""How the rest of a line goes on where the next game's headers stand in it."""

LOST_COMMENT = re.compile(r'\[Event\s+"')
"""A line that ends a comment which was never closed."""

_ESCAPED = re.compile(r'\\(["\\])')
_LINE_ENDS = re.compile(r"[\r\n]+")
_SPECIAL = re.compile(r'["\\]')
_STANDARD = frozenset(("", "?", "-", "standard", "chess", "normal", "from position"))
_CHESS960 = frozenset(
    ("chess960", "chess 960", "fischerandom", "fischerrandom", "fischer random", "freestyle")
)
_HARMLESS = chess.STATUS_BAD_CASTLING_RIGHTS | chess.STATUS_INVALID_EP_SQUARE
_WHY = (
    (chess.STATUS_EMPTY, "the board is empty"),
    (chess.STATUS_NO_WHITE_KING, "White has no king"),
    (chess.STATUS_NO_BLACK_KING, "Black has no king"),
    (chess.STATUS_TOO_MANY_KINGS, "a side has several kings"),
    (chess.STATUS_PAWNS_ON_BACKRANK, "a pawn stands on the first or the last rank"),
    (chess.STATUS_TOO_MANY_WHITE_PAWNS, "White has more than 8 pawns"),
    (chess.STATUS_TOO_MANY_BLACK_PAWNS, "Black has more than 8 pawns"),
    (chess.STATUS_TOO_MANY_WHITE_PIECES, "White has more than 16 pieces"),
    (chess.STATUS_TOO_MANY_BLACK_PIECES, "Black has more than 16 pieces"),
    (chess.STATUS_OPPOSITE_CHECK, "the side that is not to move stands in check"),
    (chess.STATUS_TOO_MANY_CHECKERS, "more pieces give check than can at once"),
    (chess.STATUS_IMPOSSIBLE_CHECK, "no last move can have given this check"),
)


class BadStart(ValueError):
    """A game whose starting position cannot be had; the message is for people."""


def unescape(value: str) -> str:
    r"""A header's value as its author meant it.

    >>> unescape(r'the \"old\" line')
    'the "old" line'
    """
    return _ESCAPED.sub(r"\1", value) if "\\" in value else value


def escape(value: str) -> str:
    r"""A header's value as the standard writes it (Edwards, 1994, section 7).

    >>> print(escape('the "old" line'))
    the \"old\" line
    """
    value = _LINE_ENDS.sub(" ", value)
    return _SPECIAL.sub(r"\\\g<0>", value)


def starting_board(headers: list[tuple[str, str]]) -> tuple[chess.Board, str, str]:
    """The board on which a game starts, its FEN or an empty string, and a warning or none.

    Raises `BadStart` for a variant that is not standard chess or Chess960 and
    for a FEN that is malformed or impossible. Castling rights or an en passant
    square that the pieces contradict only earn a warning.
    """
    known = dict(headers)
    variant = " ".join(known.get("Variant", "").lower().split())
    chess960 = variant in _CHESS960
    if not chess960 and variant not in _STANDARD:
        raise BadStart(
            f"the variant {known['Variant'][:60]!r} is not read "
            "(standard chess and Chess960 are); the game is skipped"
        )
    fen = known.get("FEN", "").strip()
    if not fen:
        if chess960:
            raise BadStart("a Chess960 game needs a FEN header to start from; the game is skipped")
        return chess.Board(), "", ""
    if len(fen) > FEN_LENGTH:
        raise BadStart("the FEN header is too long for a FEN; the game is skipped")
    try:
        board = chess.Board(fen, chess960=chess960)
    except ValueError as error:
        raise BadStart(f"the FEN header is malformed ({error}); the game is skipped") from None
    status = board.status()
    reasons = [why for bit, why in _WHY if status & bit]
    if reasons:
        raise BadStart(
            f"the position of the FEN header is impossible: {reasons[0]}; the game is skipped"
        )
    if not 1 <= board.fullmove_number <= MOVE_NUMBER:
        raise BadStart(
            f"the move number of the FEN header is not between 1 and {MOVE_NUMBER:,}; "
            "the game is skipped"
        )
    warning = ""
    if status & _HARMLESS:
        warning = (
            "the FEN header's castling rights or en passant square contradict its pieces; "
            "they are read as far as they can be"
        )
    if fen == chess.STARTING_FEN:
        fen = ""
    return board, fen, warning
