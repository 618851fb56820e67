"""Boards for nodes: the moves of a repertoire played again, where a board is needed."""

from __future__ import annotations

import chess

from pawnlore.structures.pgn_headers import starting_board
from pawnlore.structures.repertoire import Repertoire


class Replay:
    """Sets up the positions of nodes.

    What one node's line has in common with that of the node before is not
    played again, so that nodes asked for in reading order cost about as much
    as reading them did.
    """

    def __init__(self, book: Repertoire) -> None:
        self._book = book
        self._path: list[int] = []
        self._board = chess.Board()

    def board(self, node: int) -> chess.Board:
        """The position of a node, valid until the next one is asked for.

        >>> import io
        >>> from pawnlore.structures.pgn_reader import read_repertoire
        >>> book = read_repertoire([io.StringIO("1. d4 d5 (1... f5 2. c4) 2. Nf3 *")])
        >>> replay = Replay(book)
        >>> [replay.board(node).fen().split()[0] for node in (4, 5)]  # doctest: +ELLIPSIS
        ['rnbqkbnr/ppppp1pp/8/5p2/2PP4/...', 'rnbqkbnr/ppp1pppp/8/3p4/3P4/5N2/...']
        """
        book, path = self._book, self._path
        parent = book.parent
        # Nodes are numbered in reading order, so a larger one is never above a smaller one.
        ahead = []
        while path and path[-1] != node:
            if node > path[-1]:
                ahead.append(node)
                node = parent[node]
                if node < 0:
                    path.clear()
            else:
                path.pop()
                if path:
                    self._board.pop()
        if not path:
            start = ahead.pop() if ahead else node
            while parent[start] >= 0:
                ahead.append(start)
                start = parent[start]
            self._board, _, _ = starting_board(list(book.game_of(start).headers))
            path.append(start)
        for step in reversed(ahead):
            self._board.push(self._board.parse_san(book.moves[step]))
            path.append(step)
        return self._board
