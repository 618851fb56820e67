"""Files: which are open, which half-open, and the islands that they part.

Sets of files are ``uint8`` with one bit a file, bit 0 the a-file;
`pawnlore.structures.bits.file_squares` turns them into squares.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from pawnlore.structures.bits import FileSets, count_files, file_sets
from pawnlore.structures.skeleton import FILES, Masks

_ONE = np.uint8(1)


def pawn_files(masks: Masks) -> FileSets:
    """The files on which each side has a pawn; ``uint8`` (N, 2)."""
    return file_sets(masks)


def open_files(masks: Masks) -> FileSets:
    """The files without any pawn; ``uint8`` (N,).

    >>> from pawnlore.structures.drawing import batch_from_drawings
    >>> files_in_words(open_files(batch_from_drawings('''
    ...     p p p . . p p p
    ...     . . . p . . . .
    ...     . . . . . . . .
    ...     . . . . . . . .
    ...     . . P P . . . .
    ...     P P . . . P P P
    ... '''))[0])
    'e'
    """
    files = pawn_files(masks)
    return ~(files[:, 0] | files[:, 1])


def half_open_files(masks: Masks) -> FileSets:
    """The files half-open for each side: no pawn of its own, one of the other's.

    Returns ``uint8`` (N, 2).

    >>> from pawnlore.structures.drawing import batch_from_drawings
    >>> carlsbad = batch_from_drawings('''
    ...     p p . . . p p p
    ...     . . p . . . . .
    ...     . . . p . . . .
    ...     . . . P . . . .
    ...     . . . . P . . .
    ...     P P . . . P P P
    ... ''')
    >>> [files_in_words(files) for files in half_open_files(carlsbad)[0]]
    ['c', 'e']
    """
    files = pawn_files(masks)
    return ~files & files[:, ::-1]


def islands(masks: Masks) -> npt.NDArray[np.int8]:
    """How many pawn islands each side has; ``int8`` (N, 2).

    An island is a group of neighbouring files with pawns of one side, parted
    from the next by a file without any. Common practice; the word is usually
    credited to Capablanca.

    >>> from pawnlore.structures.drawing import batch_from_drawings
    >>> islands(batch_from_drawings('''
    ...     p p . . . p p p
    ...     . . . . p . . .
    ...     . . . . . . . .
    ...     . . . P . . . .
    ...     . . . . . . . .
    ...     P P . . . P P P
    ... ''')).tolist()
    [[3, 2]]
    """
    files = pawn_files(masks)
    return count_files(files & ~(files << _ONE))


def files_in_words(files: np.uint8 | int) -> str:
    """The letters of one set of files.

    >>> files_in_words(0b1000_0001)
    'a h'
    """
    return " ".join(FILES[file] for file in range(8) if (int(files) >> file) & 1)
