"""A batch of games as arrays: what every reader of collections hands on.

Only half-moves that move a pawn or take something can change the skeleton or
take part in an exchange. They are the batch's *events*; between two events the
skeleton stands still. Each game's starting position is its first event.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from pawnlore.structures.skeleton import Masks

NO_SQUARE = -1

PROMOTION_SHIFT, END_SHIFT = 12, 6


@dataclass(frozen=True)
class GameBatch:
    """G games with M half-moves and E events.

    ``number`` (G,) tells which game of the text each one is, ``first_ply``
    (G,) the half-moves that a FEN start counts before it, ``whole`` (G,)
    whether the game was read to its end, ``result`` (G,) what the movetext
    says (see `text_scan`). ``moves`` (M,) holds from-square, to-square and
    promotion (2 to 5 for N, B, R, Q) in bits 0, 6 and 12; a null move is 0.
    Those of game ``g`` are ``move_offsets[g]`` to ``move_offsets[g + 1]``, and
    so with the events: ``ply`` (E,) counts half-moves from the game's start,
    ``white`` and ``black`` (E,) are the skeleton after it, ``taken`` (E,) the
    square on which something was taken, ``start`` and ``end`` (E,) the squares
    of a pawn's move; `NO_SQUARE` where there is none.
    """

    number: npt.NDArray[np.int64]
    first_ply: npt.NDArray[np.int32]
    whole: npt.NDArray[np.bool_]
    result: npt.NDArray[np.uint8]
    move_offsets: npt.NDArray[np.int64]
    moves: npt.NDArray[np.uint16]
    event_offsets: npt.NDArray[np.int64]
    ply: npt.NDArray[np.int32]
    white: npt.NDArray[np.uint64]
    black: npt.NDArray[np.uint64]
    taken: npt.NDArray[np.int8]
    start: npt.NDArray[np.int8]
    end: npt.NDArray[np.int8]

    def __len__(self) -> int:
        return int(self.number.shape[0])

    @property
    def plies(self) -> npt.NDArray[np.int64]:
        """Half-moves of each game (G,)."""
        return np.diff(self.move_offsets)

    def skeletons(self, game: int) -> Masks:
        """The skeleton of every position of one game, ``uint64`` (plies + 1, 2)."""
        events = slice(self.event_offsets[game], self.event_offsets[game + 1])
        plies = int(self.plies[game])
        stays = np.diff(np.append(self.ply[events], plies + 1))
        masks = np.stack([self.white[events], self.black[events]], axis=1)
        return np.asarray(np.repeat(masks, stays, axis=0), dtype=np.uint64)


def joined(batches: list[GameBatch]) -> GameBatch:
    """Several batches as one, in their order."""
    if len(batches) == 1:
        return batches[0]

    def chain(name: str) -> npt.NDArray[Any]:
        return np.concatenate([getattr(batch, name) for batch in batches])

    def offsets(name: str) -> npt.NDArray[np.int64]:
        counts = [np.diff(getattr(batch, name)) for batch in batches]
        return np.concatenate([[0], np.cumsum(np.concatenate(counts))]).astype(np.int64)

    return GameBatch(
        chain("number"),
        chain("first_ply"),
        chain("whole"),
        chain("result"),
        offsets("move_offsets"),
        chain("moves"),
        offsets("event_offsets"),
        *(chain(name) for name in ("ply", "white", "black", "taken", "start", "end")),
    )


def move_code(start: int, end: int, promotion: int = 0) -> int:
    """One half-move as `GameBatch.moves` holds it."""
    return start | end << END_SHIFT | promotion << PROMOTION_SHIFT
