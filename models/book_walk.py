"""Walking an opening book: the distinct skeletons of the games that it was made from.

The shipped ``models/data/game_skeletons.npz`` was written by

    python -m pawnlore.models.book_walk book.bin game_skeletons.npz

from the book of Debian's package ``gnuchess-book`` 1.02-2.1, which its
copyright file places in the public domain. Only pawns and counts are kept.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import chess
import chess.polyglot
import numpy as np

from pawnlore.structures.skeleton import Skeleton, skeleton_from_board

FIRST_PLY = 6
"""Positions before this half-move hardly have a structure and are left out."""


def walk_book(path: Path) -> Iterator[tuple[chess.Board, int]]:
    """Every distinct position that the book leads to, with a half-move count to it."""
    seen: set[int] = set()
    waiting = [(chess.Board(), 0)]
    with chess.polyglot.open_reader(path) as book:
        while waiting:
            board, ply = waiting.pop()
            key = chess.polyglot.zobrist_hash(board)
            if key in seen:
                continue
            seen.add(key)
            yield board, ply
            for entry in book.find_all(board):
                after = board.copy(stack=False)
                after.push(entry.move)
                waiting.append((after, ply + 1))


def write_skeletons(book: Path, out: Path) -> int:
    """Write the distinct skeletons of a book's positions; gives their number back."""
    found: dict[Skeleton, list[int]] = {}
    for board, ply in walk_book(book):
        if ply < FIRST_PLY:
            continue
        counted = found.setdefault(skeleton_from_board(board), [0, ply])
        counted[0] += 1
        counted[1] = min(counted[1], ply)
    skeletons = sorted(found)
    np.savez_compressed(
        out,
        masks=np.array(skeletons, dtype=np.uint64).reshape(len(skeletons), 2),
        positions=np.array([found[s][0] for s in skeletons], dtype=np.uint16),
        earliest_ply=np.array([min(255, found[s][1]) for s in skeletons], dtype=np.uint8),
    )
    return len(skeletons)


if __name__ == "__main__":
    print(write_skeletons(Path(sys.argv[1]), Path(sys.argv[2])), "skeletons")
