"""What a change of the pawns brings: weaknesses and passed pawns that come and go."""

from __future__ import annotations

import chess

from pawnlore.structures.motifs import backward, doubled, isolated, passed
from pawnlore.structures.skeleton import Masks

_MOTIFS = (("isolated", isolated), ("backward", backward), ("doubled", doubled), ("passed", passed))


def pawn_changes(before: Masks, after: Masks) -> list[str]:
    """For each row of ``after`` (N, 2), in words, what is new against ``before`` (1, 2).

    A motif that a file showed before and shows still is no news, even where
    its pawn has stepped on; one that is gone is told as gone.

    >>> from pawnlore.structures.skeleton import skeletons_from_fens
    >>> pawn_changes(skeletons_from_fens(["8/pp3ppp/2p5/1P1p4/3P4/4P3/P4PPP/8"]),
    ...     skeletons_from_fens(["8/p4ppp/2p5/3p4/3P4/4P3/P4PPP/8"]))
    ['White: a2 isolated; Black: a7 isolated, c6 backward']
    """
    told: list[list[list[str]]] = [[[], []] for _ in range(after.shape[0])]
    for name, motif in _MOTIFS:
        old, new = motif(before)[0].tolist(), motif(after).tolist()
        for row, masks in enumerate(new):
            for side in (0, 1):
                told[row][side] += _news(name, old[side], masks[side])
    return ["; ".join(_sides(row)) for row in told]


def _news(name: str, old: int, new: int) -> list[str]:
    news = []
    for file, squares in enumerate(chess.BB_FILES):
        if new & squares and not old & squares:
            on = " ".join(chess.square_name(s) for s in chess.scan_forward(new & squares))
            news.append(f"{on} {name}")
        elif old & squares and not new & squares and name != "passed":
            news.append(f"no more {name} on the {chess.FILE_NAMES[file]}-file")
    return news


def _sides(row: list[list[str]]) -> list[str]:
    return [
        f"{side}: {', '.join(news)}"
        for side, news in zip(("White", "Black"), row, strict=True)
        if news
    ]
