"""Majorities: where a side has more pawns than the other.

The board is cut in three: the queenside (files a to c), the centre (d and e)
and the kingside (f to h). Books also count by halves, a to d against e to h,
above all where the d-file is open; both cuts are offered, neither is standard.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from pawnlore.structures.bits import count_bits, file_squares
from pawnlore.structures.skeleton import Masks

THREE_WINGS = {"queenside": "abc", "centre": "de", "kingside": "fgh"}
"""The cut into queenside, centre and kingside."""

TWO_HALVES = {"queen_half": "abcd", "king_half": "efgh"}
"""The cut down the middle of the board."""


def _wing_mask(files: str) -> np.uint64:
    bits = sum(1 << "abcdefgh".index(file) for file in files)
    return np.uint64(file_squares(np.array([bits], dtype=np.uint8))[0])


_MASKS = {files: _wing_mask(files) for cut in (THREE_WINGS, TWO_HALVES) for files in cut.values()}


def wing_counts(masks: Masks, files: str) -> npt.NDArray[np.int8]:
    """How many pawns each side has on these files; ``int8`` (N, 2)."""
    wing = _MASKS[files] if files in _MASKS else _wing_mask(files)
    return count_bits(masks & wing)


def wing_balance(masks: Masks, *, halves: bool = False) -> npt.NDArray[np.int8]:
    """White's pawns less Black's on each wing; ``int8`` (N, 3), or (N, 2) by halves.

    >>> from pawnlore.structures.drawing import batch_from_drawings
    >>> benoni = batch_from_drawings('''
    ...     p p . . . p . p
    ...     . . . p . . p .
    ...     . . p P . . . .
    ...     . . . . P . . .
    ...     . . . . . . . .
    ...     P P . . . P P P
    ... ''')
    >>> wing_balance(benoni).tolist()
    [[-1, 1, 0]]
    >>> wing_balance(benoni, halves=True).tolist()
    [[-1, 1]]
    """
    cut = TWO_HALVES if halves else THREE_WINGS
    balance = np.empty((masks.shape[0], len(cut)), dtype=np.int8)
    for column, files in enumerate(cut.values()):
        counts = wing_counts(masks, files)
        balance[:, column] = counts[:, 0] - counts[:, 1]
    return balance


def majorities(masks: Masks, *, halves: bool = False) -> npt.NDArray[np.bool_]:
    """Which side has the majority where; bool (N, 2, 3), or (N, 2, 2) by halves.

    Axis 1 is the side (White, Black), axis 2 the wing, as the cut names them.

    >>> from pawnlore.structures.drawing import batch_from_drawings
    >>> carlsbad = batch_from_drawings('''
    ...     p p . . . p p p
    ...     . . p . . . . .
    ...     . . . p . . . .
    ...     . . . P . . . .
    ...     . . . . P . . .
    ...     P P . . . P P P
    ... ''')
    >>> white, black = majorities(carlsbad)[0]
    >>> dict(zip(THREE_WINGS, black.tolist()))
    {'queenside': True, 'centre': False, 'kingside': False}
    """
    balance = wing_balance(masks, halves=halves)
    return np.stack([balance > 0, balance < 0], axis=1)
