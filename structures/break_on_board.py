"""Which breaks can be played on the board as it stands, pieces and all.

The pawns alone say which breaks exist; the pieces say which can be played.
For the side that is not to move, the break is tried as if it were its turn.
"""

from __future__ import annotations

from typing import NamedTuple

import chess

from pawnlore.structures.pawn_levers import CAPTURE, PIECE, PawnBreak
from pawnlore.structures.recaptures import BY_PIECE, Outcome, Ply

NOW, NEXT, LATER, IN_THE_WAY, ILLEGAL = "now", "next", "later", "in the way", "illegal"
"""Legal this move; legal if it were that side's turn; both steps free; a piece
stands in the way; not legal for a pin or a check."""


class OnBoard(NamedTuple):
    """Whether a break can be played, and what keeps it from being played."""

    state: str
    reason: str = ""

    @property
    def playable(self) -> bool:
        """Whether one move plays it."""
        return self.state in (NOW, NEXT)


def on_board(board: chess.Board, pawn_break: PawnBreak) -> OnBoard:
    """Whether a break of the board's own pawns can be played.

    >>> board = chess.Board("r1bqr1k1/pp1nbppp/2p2n2/3p2B1/3P4/2NBPN2/PPQ2PPP/R4RK1 w - - 0 10")
    >>> from pawnlore.structures.pawn_levers import LEVER
    >>> on_board(board, PawnBreak("white", LEVER, (chess.E3, chess.E4), (chess.D5,)))
    OnBoard(state='now', reason='')
    >>> board = chess.Board("r1bqk2r/pppp1ppp/2n2n2/4p3/1bP5/2N2NP1/PP1PPPBP/R1BQK2R b KQkq - 0 5")
    >>> on_board(board, PawnBreak("black", LEVER, (chess.C7, chess.C6, chess.C5), ()))
    OnBoard(state='in the way', reason="Black's own knight on c6")
    """
    color = pawn_break.color
    if pawn_break.kind not in (CAPTURE, PIECE):
        obstacle = _obstacle(board, pawn_break)
        if obstacle:
            return OnBoard(IN_THE_WAY, obstacle)
    trial = _turned(board, color)
    first = chess.Move(*pawn_break.path[:2])
    if not trial.is_legal(first):
        checked = trial.is_check()
        return OnBoard(ILLEGAL, "the king is in check" if checked else "the pawn is pinned")
    if pawn_break.moves == 1:
        return OnBoard(NOW if board.turn == color else NEXT)
    trial.push(first)
    if not _turned(trial, color).is_legal(chess.Move(*pawn_break.path[1:3])):
        return OnBoard(ILLEGAL, "the pawn is pinned")
    return OnBoard(LATER)


def _turned(board: chess.Board, color: bool) -> chess.Board:
    """The board with that side to move; a right to take in passing is gone with the turn."""
    trial = board.copy(stack=False)
    if trial.turn != color:
        trial.turn = color
        trial.ep_square = None
    return trial


def _obstacle(board: chess.Board, pawn_break: PawnBreak) -> str:
    start, end = pawn_break.path[0], pawn_break.landing
    step = 8 if end > start else -8
    for square in range(start + step, end + step, step):
        piece = board.piece_at(square)
        if piece is not None:
            side = "White" if piece.color else "Black"
            own = " own" if piece.color == pawn_break.color else ""
            name = chess.piece_name(piece.piece_type)
            return f"{side}'s{own} {name} on {chess.square_name(square)}"
    return ""


def outcome_on_board(board: chess.Board, pawn_break: PawnBreak, outcome: Outcome) -> bool:
    """Whether all of an outcome's moves are legal one after the other as things stand.

    Where a piece is to take back, some piece must be able to.
    """
    white = pawn_break.color
    plies = [Ply(white, a, b) for a, b in zip(pawn_break.path, pawn_break.path[1:], strict=False)]
    if outcome.before is not None:
        plies.insert(0, outcome.before)
    plies += outcome.after
    trial = board
    for ply in plies:
        trial = _turned(trial, ply.white)
        move = chess.Move(ply.start, ply.end)
        if not trial.is_legal(move):
            return False
        trial.push(move)
    if outcome.ending != BY_PIECE or outcome.retaker is None or outcome.square is None:
        return True
    trial = _turned(trial, outcome.retaker)
    to = chess.BB_SQUARES[outcome.square]
    return any(
        trial.piece_type_at(move.from_square) != chess.PAWN
        for move in trial.generate_legal_moves(to_mask=to)
    )


def board_breaks(board: chess.Board) -> tuple[PawnBreak, ...]:
    """What only the board allows: captures in passing, and pawns that take pieces.

    Those of the side to move only, and none that promotes.

    >>> board = chess.Board("4k3/8/8/2pP4/8/8/8/4K3 w - c6 0 2")
    >>> [found.text for found in board_breaks(board)]
    ['dxc6']
    """
    found = []
    side = "white" if board.turn else "black"
    own, foe = board.occupied_co[board.turn], board.occupied_co[not board.turn]
    for start in chess.scan_forward(board.pawns & own):
        attacked = chess.BB_PAWN_ATTACKS[board.turn][start]
        for end in chess.scan_forward(attacked & foe & ~board.pawns):
            move = chess.Move(start, end)
            if chess.square_rank(end) not in (0, 7) and board.is_legal(move):
                found.append(PawnBreak(side, PIECE, (start, end), (end,)))
        if board.ep_square is not None and attacked & chess.BB_SQUARES[board.ep_square]:
            move = chess.Move(start, board.ep_square)
            if board.is_legal(move):
                taken = board.ep_square + (-8 if board.turn else 8)
                found.append(PawnBreak(side, CAPTURE, (start, board.ep_square), (taken,)))
    return tuple(found)
