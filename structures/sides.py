"""Both sides at once: every motif is told once, from its own side's view.

A batch is turned so that each side's pawns move up the board. A motif worked
out in that view and turned back is the same for White and for Black by
construction: the motif of a mirrored batch is the mirrored motif.
"""

from __future__ import annotations

from pawnlore.structures.bits import Bits
from pawnlore.structures.skeleton import Masks


def own_and_foe(masks: Masks) -> tuple[Bits, Bits]:
    """Each side's own pawns and the other side's, in that side's own coordinates.

    Both arrays have shape (N, 2); column 0 is White's view, column 1 Black's
    with the ranks reversed.

    >>> import chess
    >>> from pawnlore.structures.skeleton import pack
    >>> own, foe = own_and_foe(pack([(chess.BB_E4, chess.BB_C5)]))
    >>> own[0].tolist() == [chess.BB_E4, chess.BB_C4]
    True
    >>> foe[0].tolist() == [chess.BB_C5, chess.BB_E5]
    True
    """
    turned = masks.byteswap()
    own, foe = masks.copy(), masks[:, ::-1].copy()
    own[:, 1] = turned[:, 1]
    foe[:, 1] = turned[:, 0]
    return own, foe


def on_board(view: Bits) -> Masks:
    """Turn squares (N, 2) in each side's own coordinates back to those of the board.

    ``view`` must be an array of the caller's own: Black's column is turned in place.
    """
    view[:, 1] = view[:, 1].byteswap()
    return view
