"""Repertoires for tests: read from text, drawn at random, and named by cores alone."""

from __future__ import annotations

import io
import random
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


def by_cores(masks: Masks, *, unsettled: float = 0.75) -> Verdicts:
    """Verdicts of the cores alone, so that a test does not depend on a trained model.

    ``unsettled`` is the probability where no core is met.
    """
    matcher = shipped_matcher()
    match = matcher.match(masks)
    count = len(masks)
    settled = match.family != NONE
    return Verdicts(
        matcher.catalogue.ids,
        match.family,
        match.holder,
        np.where(settled, 0.98, unsettled),
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
        *("d2d4", "d7d5", "c2c4", "e7e6", "b1c3", "g8f6", "g1f3"),
        *("c4d5", "e6d5", "d5c4", "f1c4", "e2e3"),
    )
)


def _variation(dice: random.Random, board: chess.Board, depth: int, most: int) -> list[str]:
    words: list[str] = []
    for _ in range(dice.randint(1, most)):
        legal = list(board.legal_moves)
        if not legal:
            break
        liked = [move for move in legal if move.uci() in _LIKED]
        move = dice.choice(liked if liked and dice.random() < 0.95 else legal)
        if dice.random() < 0.05 and not board.is_check():
            move = chess.Move.null()
        words.append(board.san(move))
        if dice.random() < 0.2:
            words.append("{" + dice.choice(["here", "there", "only a move order"]) + "}")
        while depth and dice.random() < 0.3:
            words += ["(", *_variation(dice, board.copy(stack=False), depth - 1, 5), ")"]
        board.push(move)
    return words


def random_text(seed: int, most: int = 14) -> str:
    """PGN of one to four games that share positions; ``most`` bounds the main lines."""
    dice = random.Random(seed)
    games = []
    for _ in range(dice.randint(1, 4)):
        moves = " ".join(_variation(dice, chess.Board(), 2, most))
        games.append(f'[Event "{dice.choice(["One", "Two", "Three"])}"]\n\n{moves} *\n\n')
    return "".join(games)


# A seed is drawn, not each move: that is a hundred times faster, and a small
# bound on the moves still makes the examples small.
random_texts = st.builds(random_text, st.integers(0, 2**32 - 1), st.integers(1, 14))
"""Random repertoires with variations, transpositions and null moves, as PGN."""
