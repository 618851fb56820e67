"""FEN of many positions, faster than one by one: ranks that were seen are kept."""

from __future__ import annotations

import chess

_CASTLING = chess.BB_A1 | chess.BB_H1 | chess.BB_A8 | chess.BB_H8
_LETTERS = ((chess.BB_H1, "K"), (chess.BB_A1, "Q"), (chess.BB_H8, "k"), (chess.BB_A8, "q"))
_MOST_RANKS = 100_000


class FenWriter:
    """Writes FENs as the standard has them (Edwards, 1994, section 16.1).

    The en passant square stands behind every double step, whether or not a
    pawn can capture there. Castling in Chess960 is written as X-FEN.

    >>> board = chess.Board()
    >>> board.push_san("e4") and FenWriter().fen(board)
    'rnbqkbnr/pppppppp/8/8/4P3/8/PPPP1PPP/RNBQKBNR b KQkq e3 0 1'
    """

    def __init__(self) -> None:
        self._ranks: dict[tuple[int, ...], str] = {}
        self._castling: dict[int, str] = {}

    def fen(self, board: chess.Board) -> str:
        """The FEN of one position."""
        ranks = self._ranks
        rows = []
        for row in zip(
            board.pawns.to_bytes(8),
            board.knights.to_bytes(8),
            board.bishops.to_bytes(8),
            board.rooks.to_bytes(8),
            board.queens.to_bytes(8),
            board.kings.to_bytes(8),
            board.occupied_co[chess.WHITE].to_bytes(8),
            strict=True,
        ):
            text = ranks.get(row)
            if text is None:
                if len(ranks) > _MOST_RANKS:
                    ranks.clear()
                text = ranks[row] = _rank(row)
            rows.append(text)
        passing = board.ep_square
        return (
            f"{'/'.join(rows)} {'w' if board.turn else 'b'} {self._rights(board)} "
            f"{'-' if passing is None else chess.SQUARE_NAMES[passing]} "
            f"{board.halfmove_clock} {board.fullmove_number}"
        )

    def _rights(self, board: chess.Board) -> str:
        if not board.castling_rights:
            return "-"
        rights = board.clean_castling_rights()
        if board.chess960 or rights & ~_CASTLING:
            return board.castling_xfen()
        text = self._castling.get(rights)
        if text is None:
            text = "".join(letter for square, letter in _LETTERS if rights & square) or "-"
            self._castling[rights] = text
        return text


def _rank(row: tuple[int, ...]) -> str:
    """One rank in words of FEN, from a byte a kind of piece and one of White's pieces."""
    text, gap = "", 0
    for file in range(8):
        bit = 1 << file
        for kind, symbol in zip(row, "pnbrqk", strict=False):
            if kind & bit:
                text += (str(gap) if gap else "") + (symbol.upper() if row[6] & bit else symbol)
                gap = 0
                break
        else:
            gap += 1
    return text + (str(gap) if gap else "")
