"""The distance between skeletons as players judge it, held to positions with labels."""

from __future__ import annotations

from pathlib import Path

import chess
import numpy as np
import numpy.typing as npt
import pytest

from pawnlore.structures import pawn_distance
from pawnlore.structures.pawn_distance import pawn_distances
from pawnlore.structures.skeleton import (
    Masks,
    Skeleton,
    mirror_batch,
    pack,
    skeleton_from_fen,
    skeletons_from_fens,
)

DEMO = Path(__file__).resolve().parents[2] / "labelled_demo"


def between(one: Skeleton, other: Skeleton) -> float:
    return float(pawn_distances(pack([one]), pack([other])[0])[0])


@pytest.mark.parametrize(
    ("near", "far"),
    [
        # A rook's pawn up a square is less than a bishop's pawn up one.
        ("8/pp3ppp/2p5/3p4/3P4/4P2P/PP3PP1/8", "8/pp3ppp/2p5/3p4/3P4/4PP2/PP4PP/8"),
        # A wing pawn that has moved is less than one that is gone.
        ("8/1p3ppp/p1p5/3p4/3P4/4P3/PP3PPP/8", "8/1p3ppp/2p5/3p4/3P4/4P3/PP3PPP/8"),
        # Wing pawns gone on both sides are less than one central pawn gone.
        ("8/pp3pp1/2p5/3p4/3P4/4P3/PP3PP1/8", "8/pp3ppp/2p5/3p4/3P4/8/PP3PPP/8"),
        # c7 for c6 still is the Carlsbad structure; d6 for d5 is none.
        ("8/ppp2ppp/8/3p4/3P4/4P3/PP3PPP/8", "8/pp3ppp/2pp4/8/3P4/4P3/PP3PPP/8"),
        # One step from home is less than a second one.
        ("8/pp3ppp/2p5/3p4/3P4/8/PP2PPPP/8", "8/pp3ppp/2p5/3p4/3PP3/8/PP3PPP/8"),
    ],
)
def test_what_a_player_finds_nearer(near: str, far: str) -> None:
    """Common practice, no source."""
    carlsbad = skeleton_from_fen("8/pp3ppp/2p5/3p4/3P4/4P3/PP3PPP/8")
    assert between(carlsbad, skeleton_from_fen(near)) < between(carlsbad, skeleton_from_fen(far))


def labelled(*names: str) -> tuple[Masks, list[tuple[str, str]]]:
    """The positions of demo files that trainers gave a family, without copies of one skeleton."""
    found: dict[tuple[int, int], tuple[str, str]] = {}
    for name in names:
        for line in (DEMO / name).read_text(encoding="utf-8").splitlines():
            if not line.strip() or line.startswith("#"):
                continue
            board, operations = chess.Board.from_epd(line)
            if operations["c0"] == "unsettled":
                continue
            skeleton = skeletons_from_fens([board.board_fen()])[0].tolist()
            found.setdefault(
                (skeleton[0], skeleton[1]), (str(operations["c0"]), str(operations["c1"]))
            )
    return pack(found), list(found.values())


def agreement(asked: Masks, wanted: list[tuple[str, str]]) -> float:
    """How often the nearest other labelled position has the same family and holder."""
    masks, labels = labelled("positions.epd", "off_core.epd")
    swap = {"white": "black", "black": "white", "both": "both"}
    masks = np.concatenate([masks, mirror_batch(masks)])
    labels = labels + [(family, swap[holder]) for family, holder in labels]
    right = 0
    for skeleton, label in zip(asked, wanted, strict=True):
        distances: npt.NDArray[np.float64] = pawn_distances(masks, skeleton)
        distances[(masks == skeleton).all(axis=1)] = np.inf
        distances[(masks == mirror_batch(skeleton[None])[0]).all(axis=1)] = np.inf
        right += labels[int(distances.argmin())] == label
    return right / len(wanted)


def test_the_nearest_labelled_position_mostly_has_the_same_label() -> None:
    """On positions that the weights were not chosen by."""
    assert agreement(*labelled("exam.epd")) >= 0.75


def test_the_weights_of_the_files_earn_their_place(monkeypatch: pytest.MonkeyPatch) -> None:
    """Among the many positions; the exam is too small to tell weights from none."""
    asked, wanted = labelled("positions.epd", "off_core.epd")
    assert len(wanted) > 500
    weighed = agreement(asked, wanted)
    monkeypatch.setattr(pawn_distance, "FILE_WEIGHTS", (1.0,) * 8)
    assert weighed >= agreement(asked, wanted) + 0.03
