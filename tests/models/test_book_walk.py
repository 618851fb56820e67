"""Walking a book that the test writes itself, in the Polyglot format."""

from __future__ import annotations

import struct
from pathlib import Path

import chess
import chess.polyglot
import numpy as np

from pawnlore.models.book_walk import walk_book, write_skeletons
from pawnlore.structures.skeleton import skeleton_from_board

LINES = ("d4 d5 c4 e6 Nc3 Nf6 cxd5 exd5", "d4 Nf6 c4 e6 Nc3 d5 cxd5 exd5", "e4 e5 Nf3 Nc6 d4 exd4")


def write_book(path: Path) -> None:
    """Entries as the Polyglot format has them: key, move, weight, learn, sorted by key."""
    entries = set()
    for line in LINES:
        board = chess.Board()
        for san in line.split():
            move = board.parse_san(san)
            raw = move.to_square | move.from_square << 6
            entries.add((chess.polyglot.zobrist_hash(board), raw))
            board.push(move)
    path.write_bytes(b"".join(struct.pack(">QHHI", k, m, 1, 0) for k, m in sorted(entries)))


def test_every_position_is_walked_once_whatever_the_move_order(tmp_path: Path) -> None:
    write_book(tmp_path / "book.bin")
    boards = [board for board, _ in walk_book(tmp_path / "book.bin")]
    expected = {chess.STARTING_BOARD_FEN}
    for line in LINES:
        board = chess.Board()
        for san in line.split():
            board.push_san(san)
            expected.add(board.board_fen())
    assert len(boards) == len({chess.polyglot.zobrist_hash(board) for board in boards})
    assert {board.board_fen() for board in boards} == expected


def test_the_file_holds_distinct_skeletons_with_counts(tmp_path: Path) -> None:
    write_book(tmp_path / "book.bin")
    count = write_skeletons(tmp_path / "book.bin", tmp_path / "out.npz")
    with np.load(tmp_path / "out.npz", allow_pickle=False) as data:
        assert data["masks"].shape == (count, 2)
        assert np.unique(data["masks"], axis=0).shape[0] == count
        final = chess.Board()
        for san in LINES[0].split():
            final.push_san(san)
        rows = [tuple(row) for row in data["masks"].tolist()]
        row = rows.index(tuple(skeleton_from_board(final)))
        assert data["positions"][row] == 1
        assert data["earliest_ply"][row] == 8
