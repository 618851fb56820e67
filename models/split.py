"""Which skeletons may be learnt from and which are kept for examination.

The split is by skeleton and mirror: a hash of the canonical one of the two
decides, so a test skeleton or its mirror can never be in training, whatever
made it and however often it was made.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from pawnlore.structures.skeleton import Masks, canonical_batch

TRAINING, HELD_OUT = 0, 1
"""The two parts: seven and three skeletons in ten."""

_TENTHS = np.array([TRAINING] * 7 + [HELD_OUT] * 3, dtype=np.int8)


def _scramble(values: npt.NDArray[np.uint64]) -> npt.NDArray[np.uint64]:
    """The finaliser of the splitmix64 generator (Steele, Lea and Flood, 2014)."""
    values = (values ^ (values >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    values = (values ^ (values >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return values ^ (values >> np.uint64(31))


def part_of(masks: Masks) -> npt.NDArray[np.int8]:
    """The part, (N,), of each skeleton of a batch (N, 2).

    >>> from pawnlore.structures.skeleton import mirror_batch, pack
    >>> batch = pack([(256, 1 << 50), (1 << 27, 1 << 35)])
    >>> bool((part_of(batch) == part_of(mirror_batch(batch))).all())
    True
    """
    canonical, _, _ = canonical_batch(masks)
    mixed = _scramble(_scramble(canonical[:, 0]) + canonical[:, 1])
    return _TENTHS[(mixed % np.uint64(10)).astype(np.intp)]


def skeleton_keys(masks: Masks) -> npt.NDArray[np.void]:
    """One comparable value, (N,), for each skeleton that is the same for its mirror."""
    canonical, _, _ = canonical_batch(masks)
    return np.ascontiguousarray(canonical).view([("white", "u8"), ("black", "u8")])[:, 0]
