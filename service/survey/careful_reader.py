"""The careful reader: python-chess and this project's own PGN reader, a game at a time.

It reads whatever an author's file may hold, exactly as ``pawnlore tag`` does,
and it is the judge of every game that the fast reader is not sure of.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence

import chess
import numpy as np

from pawnlore.service.survey.game_batch import NO_SQUARE, GameBatch
from pawnlore.service.survey.move_codes import coded_move
from pawnlore.service.survey.skipped import (
    BAD_START,
    CUT_SHORT,
    NO_GAME,
    NO_MOVES,
    RUN_ON,
    VARIANT,
    Account,
)
from pawnlore.service.survey.text_scan import BLACK_WINS, DRAW, OPEN, WHITE_WINS
from pawnlore.structures.pgn_headers import BadStart, starting_board
from pawnlore.structures.pgn_limits import Limits
from pawnlore.structures.pgn_reader import read_repertoire
from pawnlore.structures.repertoire import Game, Repertoire

_LIMITS = Limits(game_nodes=100_000, nodes=100_000, problems=20)
_RESULTS = {"1-0": WHITE_WINS, "0-1": BLACK_WINS, "1/2-1/2": DRAW, "*": OPEN}


class _Columns:
    """The columns of a batch while it grows."""

    def __init__(self) -> None:
        self.games: list[tuple[int, int, bool, int]] = []
        self.moves: list[int] = []
        self.move_ends = [0]
        self.events: list[tuple[int, int, int, int, int, int]] = []
        self.event_ends = [0]

    def batch(self) -> GameBatch:
        number, first_ply, whole, result = zip(*self.games, strict=True) if self.games else [()] * 4
        ply, white, black, taken, start, end = (
            zip(*self.events, strict=True) if self.events else [()] * 6
        )
        return GameBatch(
            np.array(number, dtype=np.int64),
            np.array(first_ply, dtype=np.int32),
            np.array(whole, dtype=np.bool_),
            np.array(result, dtype=np.uint8),
            np.array(self.move_ends, dtype=np.int64),
            np.array(self.moves, dtype=np.uint16),
            np.array(self.event_ends, dtype=np.int64),
            np.array(ply, dtype=np.int32),
            np.array(white, dtype=np.uint64),
            np.array(black, dtype=np.uint64),
            np.array(taken, dtype=np.int8),
            np.array(start, dtype=np.int8),
            np.array(end, dtype=np.int8),
        )


def read_carefully(
    texts: Sequence[tuple[int, str]],
    account: Account,
    where: str = "",
    begins: Sequence[int] = (),
) -> GameBatch:
    """Read games, each given as its number and its text, into one batch.

    What cannot be read is counted in ``account``; ``where`` names the file there,
    ``begins`` tells for each text at which byte of the file's text it begins.
    Examples hold no players' names: they are kept with the survey.
    Of a text that turns out to hold several games, the first that has moves is read.
    """
    columns = _Columns()
    for turn, (number, text) in enumerate(texts):
        at = f"the game at byte {begins[turn]:,} of its text" if begins else "a game"
        book = read_repertoire([io.StringIO(text)], limits=_LIMITS)
        worst = [problem for problem in book.problems if not problem.warning]
        if not book.games:
            bare = text.strip() in _RESULTS
            reason, example = NO_MOVES if bare else NO_GAME, f"{where}: {_words(text, at)}"
            for problem in worst:
                if "variant" in problem.message or "Chess960" in problem.message:
                    reason = VARIANT
                elif "FEN" in problem.message:
                    reason = BAD_START
            account.skip(reason, example)
        # Headers that are told twice make a game without moves before the one that is meant.
        played = [game for game in book.games if game.count > 1] or book.games[:1]
        if len(played) > 1:
            account.skip(RUN_ON, f"{where}: {_words(text, at)}", len(played) - 1)
        for game in played[:1]:
            plies = _put(columns, book, game, number)
            cut = _cut_short(book, game, plies)
            columns.games[-1] = (*columns.games[-1][:2], not cut, columns.games[-1][3])
            if cut:
                account.example(CUT_SHORT, f"{where}: {at}, after half-move {plies}")
    return columns.batch()


def _words(text: str, at: str) -> str:
    """The first letters of a text, or where it is if they are headers: these may be names."""
    return at if text.lstrip().startswith("[") else repr(text[:40])


def _main_line(book: Repertoire, game: Game) -> Iterator[int]:
    node = game.first
    while True:
        following = book.children(node)
        # A first move that could not be read leaves only its variations behind.
        if not following:
            return
        node = following[0]
        yield node


def _put(columns: _Columns, book: Repertoire, game: Game, number: int) -> int:
    try:
        board, _, _ = starting_board(list(game.headers))
    except BadStart:  # the reader has found none; an older header may differ
        board = chess.Board()
    result = _RESULTS.get(game.result, 0)
    columns.games.append((number, board.ply(), True, result))
    white, black = _masks(board)
    columns.events.append((0, white, black, NO_SQUARE, NO_SQUARE, NO_SQUARE))
    plies = 0
    for node in _main_line(book, game):
        move = board.parse_san(book.moves[node])
        plies += 1
        columns.moves.append(coded_move(board, move))
        if move and board.is_zeroing(move):
            taken = move.to_square if board.is_capture(move) else NO_SQUARE
            pawn = board.piece_type_at(move.from_square) == chess.PAWN
            squares = (move.from_square, move.to_square) if pawn else (NO_SQUARE, NO_SQUARE)
            board.push(move)
            white, black = _masks(board)
            columns.events.append((plies, white, black, taken, *squares))
        else:
            board.push(move)
    columns.move_ends.append(len(columns.moves))
    columns.event_ends.append(len(columns.events))
    return plies


def _masks(board: chess.Board) -> tuple[int, int]:
    return board.pawns & board.occupied_co[True], board.pawns & board.occupied_co[False]


def _cut_short(book: Repertoire, game: Game, plies: int) -> bool:
    """Whether the main line ends at a move that could not be read."""
    for problem in book.problems:
        if problem.warning or not problem.move:
            continue
        number, _, _ = problem.move.partition(" ")
        count = number.rstrip(".…")
        if not count.isdigit():
            continue
        ply = 2 * (int(count) - 1) + number.endswith("...")
        if ply == plies + game_start_ply(book, game):
            return True
    return False


def game_start_ply(book: Repertoire, game: Game) -> int:
    """The half-moves that the game's starting position counts before it."""
    return int(book.ply[game.first])
