"""Games for the tests of the survey: random legal ones, written plainly or wildly."""

from __future__ import annotations

import random

import chess
import numpy as np

from pawnlore.structures.skeleton import Masks

STARTS = (
    "",
    "8/P6k/8/3pP3/8/8/p6K/8 w - d6 0 40",
    "r3k2r/pPpp1ppp/8/4P3/8/8/PPP2PpP/R3K2R b KQkq - 3 20",
    "4k3/2p1p3/8/1P1P1P2/1p1p1p2/8/2P1P3/4K3 w - - 98 70",
)
CHESS960 = ("bqnbnrkr/pppppppp/8/8/8/8/PPPPPPPP/BQNBNRKR w HFhf - 0 1",)

_WORDS = ("a [%clk 0:01:02] plan", "", 'the 1-0\n[Site "in it"]\n[Event is none\n', "x ) ( ; %")


def random_game(dice: random.Random, *, fen: str = "", chess960: bool = False, plies: int = 80):
    """A board with a random legal game played on it; pawns are moved often."""
    board = chess.Board(fen or chess.STARTING_FEN, chess960=chess960)
    for _ in range(dice.randrange(1, plies)):
        moves = list(board.legal_moves)
        if not moves:
            break
        liked = [
            move
            for move in moves
            if board.piece_type_at(move.from_square) == chess.PAWN
            or board.is_castling(move)
            or board.is_capture(move)
        ]
        passing = [move for move in moves if board.is_en_passant(move)]
        board.push(dice.choice(passing or (liked if liked and dice.random() < 0.6 else moves)))
    return board


def movetext(board: chess.Board, dice: random.Random | None = None) -> str:
    """The game's moves as PGN; with ``dice`` comments, glyphs and variations are strewn in."""
    replay = board.root()
    words = []
    for move in board.move_stack:
        number = f"{replay.fullmove_number}{'.' if replay.turn else '...'}"
        san = replay.san(move)
        words.append(f"{number} {san}" if replay.turn or not words else san)
        if dice is not None:
            if dice.random() < 0.1:
                words.append(dice.choice(("$1", "$146", "!", "?!")))
            if dice.random() < 0.1:
                words.append("{" + dice.choice(_WORDS) + "}")
            if dice.random() < 0.1:
                other = dice.choice(list(replay.legal_moves))
                words.append(f"({number} {replay.san(other)} {{inside}} $2)")
        replay.push(move)
    return " ".join(words)


def pgn(
    board: chess.Board,
    *,
    dice: random.Random | None = None,
    result: str = "1-0",
    headers: tuple[tuple[str, str], ...] = (),
) -> str:
    """The whole game as PGN."""
    told = [("Event", "Test"), ("Site", "?"), ("Result", result), *headers]
    start = board.root()
    if start.fen() != chess.STARTING_FEN:
        told += [("SetUp", "1"), ("FEN", start.fen())]
    if board.chess960:
        told.append(("Variant", "Chess960"))
    lines = [f'[{name} "{value}"]' for name, value in told]
    return "\n".join(lines) + f"\n\n{movetext(board, dice)} {result}\n\n"


def random_games(seed: int, count: int, *, wild: bool = False) -> list[chess.Board]:
    """Games from every start, in turns."""
    dice = random.Random(seed)
    boards = []
    for index in range(count):
        if index % 10 == 9:
            boards.append(random_game(dice, fen=CHESS960[0], chess960=True))
        else:
            start = STARTS[index % len(STARTS)] if index % 3 == 0 else ""
            boards.append(random_game(dice, fen=start))
    return boards


def collection(seed: int, count: int) -> str:
    """Games with players, dates and ratings."""
    dice = random.Random(seed)
    texts = []
    for index, board in enumerate(random_games(seed, count)):
        headers = (
            ("White", f"P{dice.randrange(50)}"),
            ("Black", f"Q{dice.randrange(50)}"),
            ("Date", f"{dice.randrange(1990, 2026)}.??.??"),
            ("Round", str(index)),
            ("WhiteElo", str(dice.randrange(800, 2800))),
            ("BlackElo", dice.choice(("?", "", "2100"))),
            ("ECO", "A00"),
        )
        result = dice.choice(("1-0", "0-1", "1/2-1/2"))
        texts.append(pgn(board, dice=dice, headers=headers, result=result))
    return "".join(texts)


def random_skeletons(count: int, seed: int) -> Masks:
    """Skeletons with up to eight pawns a side, most of them such as no game has."""
    dice = np.random.default_rng(seed)
    masks = np.zeros((count, 2), dtype=np.uint64)
    for row in range(count):
        squares = dice.permutation(np.arange(8, 56))
        white, black = dice.integers(0, 9, 2)
        for square in squares[:white].tolist():
            masks[row, 0] |= np.uint64(1 << square)
        for square in squares[white : white + black].tolist():
            masks[row, 1] |= np.uint64(1 << square)
    return masks
