"""Which lines come to a finer family of the author's, beside which structure."""

from __future__ import annotations

import numpy as np

from pawnlore.structures.structure_paths import StructurePaths


class FinerLines:
    """What finer families a line comes to; without any in the repertoire it costs nothing."""

    def __init__(self, paths: StructurePaths) -> None:
        stands = np.flatnonzero(paths.finer >= 0)
        pairs = list(zip(paths.carried[stands].tolist(), paths.finer[stands].tolist(), strict=True))
        self._pairs = sorted(set(pairs))
        self._seen: list[int] = []
        self._of_code: dict[int, int] = {}
        if not self._pairs:
            return
        bit = {pair: 1 << place for place, pair in enumerate(self._pairs)}
        for (held, _), one in bit.items():
            self._of_code[held] = self._of_code.get(held, 0) | one
        seen = [0] * len(paths.book)
        for node, pair in zip(stands.tolist(), pairs, strict=True):
            seen[node] = bit[pair]
        # A parent stands before its children.
        for node, above in enumerate(paths.book.parent):
            if above >= 0:
                seen[node] |= seen[above]
        self._seen = seen

    def beside(self, code: int, leaf: int) -> list[int]:
        """The finer families' codes on the line to a leaf, where a structure's code stands."""
        if not self._seen:
            return []
        left = self._seen[leaf] & self._of_code.get(code, 0)
        found = []
        # Only those that are met are looked at: a store may hold hundreds of families.
        while left:
            found.append(self._pairs[(left & -left).bit_length() - 1][1])
            left &= left - 1
        return found
