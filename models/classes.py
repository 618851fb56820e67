"""The classes of the classifier: a family and whose it is, or no family."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from pawnlore.structures.catalogue import Catalogue
from pawnlore.structures.verdict import BLACK, BOTH, NONE, WHITE

NO_FAMILY = 0
"""The class of skeletons that belong to no family."""


@dataclass(frozen=True)
class Classes:
    """Class numbers for families and holders.

    Class 0 is `NO_FAMILY`. ``family`` and ``holder`` have shape (classes,). A
    family has the holders `WHITE` and `BLACK`, unless it always belongs to both
    sides; `BOTH` stands beside them where a core can be met from both at once.
    """

    names: tuple[str, ...]
    family: npt.NDArray[np.int16]
    holder: npt.NDArray[np.int8]

    def __len__(self) -> int:
        return int(self.family.shape[0])

    @cached_property
    def _number(self) -> npt.NDArray[np.int16]:
        """Class numbers by family and holder, shape (families + 1, 3); the last row is none."""
        table = np.full((len(self.names) + 1, 3), NO_FAMILY, dtype=np.int16)
        for number in range(1, len(self)):
            table[self.family[number], self.holder[number]] = number
        for row in table[:-1]:
            # A family that has no class for a holder is told by another of its classes.
            row[row == NO_FAMILY] = row[BOTH] or row[WHITE] or row[BLACK]
        return table

    @cached_property
    def mirror(self) -> npt.NDArray[np.int16]:
        """For each class, the class of the mirrored skeleton; shape (classes,)."""
        swap = np.array([BOTH, BLACK, WHITE], dtype=np.int8)
        return self.number(self.family, swap[self.holder])

    @cached_property
    def merged(self) -> npt.NDArray[np.int16]:
        """For each class, the one that takes its chances where both sides are alike."""
        return self.number(self.family, np.zeros_like(self.holder))

    def number(
        self, family: npt.NDArray[np.int16], holder: npt.NDArray[np.int8]
    ) -> npt.NDArray[np.int16]:
        """The class of each family index (`NONE` for no family) and holder."""
        return self._number[family, holder]


def classes_of(catalogue: Catalogue, also_both: frozenset[int] | set[int] = frozenset()) -> Classes:
    """The classes of a catalogue in rank order; ``also_both`` are ranks with a class `BOTH`.

    >>> from pawnlore.structures.catalogue import shipped_catalogue
    >>> classes = classes_of(shipped_catalogue(), {0})
    >>> classes.names[classes.family[1]], int(classes.mirror[2]), int(classes.mirror[3])
    ('stonewall', 3, 2)
    """
    family, holder = [NONE], [BOTH]
    for entry in catalogue.families:
        codes = [BOTH] if entry.shared or entry.rank in also_both else []
        if not entry.shared:
            codes += [WHITE, BLACK]
        family += [entry.rank] * len(codes)
        holder += codes
    return Classes(catalogue.ids, np.array(family, dtype=np.int16), np.array(holder, dtype=np.int8))
