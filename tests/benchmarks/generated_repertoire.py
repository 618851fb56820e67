"""A repertoire of any size, made from seeded random legal moves.

It is shaped like a real one: chapters of some hundred nodes, a main line of
about thirty half-moves, variations inside variations, comments and glyphs.
Quiet pawn moves and developing moves are preferred, so that the pawns move
about as they do in openings.
"""

from __future__ import annotations

import random
from pathlib import Path

import chess

_WORDS = (
    "White keeps the pair of bishops and plays on the queenside",
    "the break comes too early here",
    "Black has to defend the weak pawn for good",
    "a useful waiting move",
    "compare the line with the knight on c3",
)


def write_repertoire(path: Path, nodes: int, seed: int = 1) -> None:
    """Write a repertoire of at least ``nodes`` nodes (starting positions among them)."""
    dice = random.Random(seed)
    left = nodes
    with path.open("w", encoding="utf-8", newline="\n") as out:
        chapter = 0
        while left > 0:
            chapter += 1
            body: list[str] = []
            left -= 1 + _line(dice, chess.Board(), body, 26 + dice.randrange(10), 0)
            out.write(f'[Event "Chapter {chapter}"]\n[Site "?"]\n[Date "????.??.??"]\n')
            out.write(f'[Round "{chapter}"]\n[White "Repertoire"]\n[Black "?"]\n[Result "*"]\n\n')
            out.write(_wrapped([*body, "*"]) + "\n\n")


def _line(dice: random.Random, board: chess.Board, body: list[str], length: int, depth: int) -> int:
    count = 0
    for _ in range(length):
        moves = list(board.legal_moves)
        if not moves:
            break
        dice.shuffle(moves)
        moves.sort(key=lambda move: _liking(board, move), reverse=True)
        # Mostly one of the likeliest moves, so that lines meet again.
        choice = min(int(dice.expovariate(0.5)), len(moves) - 1)
        number = f"{board.fullmove_number}{'.' if board.turn else '...'}"
        body.append(f"{number} {board.san(moves[choice])}")
        count += 1
        if dice.random() < 0.08:
            body.append(f"${dice.choice((1, 2, 5, 6, 14, 15, 16))}")
        if dice.random() < 0.15:
            body.append("{" + dice.choice(_WORDS) + "}")
        if depth < 4 and len(moves) > 1 and dice.random() < 0.22:
            other = moves[(choice + 1 + dice.randrange(3)) % len(moves)]
            branch = board.copy(stack=False)
            inner = [f"{number} {branch.san(other)}"]
            branch.push(other)
            count += 1 + _line(dice, branch, inner, 2 + dice.randrange(9), depth + 1)
            body.append("(" + inner[0])
            body.extend(inner[1:])
            body[-1] += ")"
        board.push(moves[choice])
    return count


def _liking(board: chess.Board, move: chess.Move) -> float:
    kind = board.piece_type_at(move.from_square)
    liking = 1.0 if board.is_capture(move) else 0.0
    if kind == chess.PAWN and chess.square_file(move.to_square) in (2, 3, 4):
        liking += 1.5
    if kind in (chess.KNIGHT, chess.BISHOP) and chess.square_rank(move.from_square) in (0, 7):
        liking += 1.2
    if board.is_castling(move):
        liking += 3
    return liking


def _wrapped(words: list[str]) -> str:
    lines, width = [""], 0
    for word in words:
        if width + 1 + len(word) > 80 and width:
            lines.append("")
            width = 0
        lines[-1] += (" " if width else "") + word
        width += 1 + len(word)
    return "\n".join(lines)
