"""Repertoires for tests: read from text, drawn at random, and named by cores alone."""

from __future__ import annotations

import io
from importlib.resources import as_file, files

import chess
import numpy as np
from hypothesis import strategies as st

from pawnlore.structures.distinct_verdicts import distinct_verdicts
from pawnlore.structures.matcher import shipped_matcher
from pawnlore.structures.pgn_reader import read_repertoire
from pawnlore.structures.repertoire import Repertoire
from pawnlore.structures.skeleton import Masks
from pawnlore.structures.structure_paths import StructurePaths, structure_paths
from pawnlore.structures.verdict import BOTH, NONE, Verdicts


def read(*texts: str) -> Repertoire:
    """Each text as a file of its own, with position keys."""
    return read_repertoire([io.StringIO(text) for text in texts], with_keys=True)


def by_cores(masks: Masks) -> Verdicts:
    """Verdicts of the cores alone, so that a test does not depend on a trained model."""
    matcher = shipped_matcher()
    match = matcher.match(masks)
    count = len(masks)
    settled = match.family != NONE
    return Verdicts(
        matcher.catalogue.ids,
        match.family,
        match.holder,
        np.where(settled, 0.98, 0.75),
        settled,
        np.full(count, NONE, dtype=np.int16),
        np.full(count, BOTH, dtype=np.int8),
        np.zeros(count),
    )


def core_verdicts(book: Repertoire) -> Verdicts:
    """The cores' verdicts on a repertoire, one row a node."""
    return distinct_verdicts(book, by_cores).every_node()


def core_paths(book: Repertoire) -> StructurePaths:
    """The structure paths of a repertoire by the cores alone."""
    return structure_paths(book, core_verdicts(book))


def demo() -> Repertoire:
    """The invented repertoire, with position keys."""
    with as_file(files("pawnlore.labelled_demo").joinpath("repertoire")) as folder:
        paths = sorted(str(path) for path in folder.glob("*.pgn"))
        return read_repertoire(paths, with_keys=True)


# A few moves that reach the same positions in many orders, with captures that
# change the pawns; beside them, any legal move and the null move.
_LIKED = frozenset(
    (
        *("d2d4", "d7d5", "c2c4", "e7e6", "c7c6", "c7c5", "b1c3", "g8f6", "g1f3", "b8c6"),
        *("c4d5", "e6d5", "c5d4", "e3d4", "d5c4", "f1c4", "f3d4", "e2e3", "g2g3", "f1g2"),
    )
)


@st.composite
def _variation(draw: st.DrawFn, board: chess.Board, depth: int, most: int) -> list[str]:
    words: list[str] = []
    for _ in range(draw(st.integers(1, most))):
        legal = sorted(board.legal_moves, key=str)
        if not legal:
            break
        liked = [move for move in legal if move.uci() in _LIKED]
        kind = draw(st.integers(0, 11))
        if kind == 11 and not board.is_check():
            move = chess.Move.null()
        else:
            move = draw(st.sampled_from(liked if liked and kind < 9 else legal))
        words.append(board.san(move))
        if draw(st.integers(0, 5)) == 0:
            words.append("{" + draw(st.sampled_from(["here", "there", "only a move order"])) + "}")
        if depth:
            for _ in range(draw(st.sampled_from([0, 0, 1, 2]))):
                words += ["(", *draw(_variation(board.copy(), depth - 1, 6)), ")"]
        board.push(move)
    return words


@st.composite
def _game(draw: st.DrawFn) -> str:
    board = chess.Board()
    name = draw(st.sampled_from(["One", "Two", "Three"]))
    return f'[Event "{name}"]\n\n' + " ".join([*draw(_variation(board, 2, 12)), "*"]) + "\n\n"


random_texts = st.lists(_game(), min_size=1, max_size=4).map("".join)
"""PGN of one to four games that share positions, with variations and null moves."""
