"""Verdicts: what a skeleton is, whose it is, and how sure we are."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pawnlore.structures.catalogue import OWN_PREFIX, UNSETTLED
from pawnlore.structures.skeleton import Masks

BOTH, WHITE, BLACK = 0, 1, 2
"""Holder codes, as they stand in arrays of holders."""

HOLDERS = ("both", "white", "black")
"""Holder names by code."""

SWAPPED = {"white": "black", "black": "white", "both": "both"}
"""Holder names after the colours were reversed."""

NONE = -1
"""Family index where there is no family (`UNSETTLED`)."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """The verdict on one skeleton, in words.

    ``probability`` is calibrated: of all verdicts given with 0.8, about eight
    in ten are right. For `UNSETTLED` it is the probability that there is no
    family, the holder is ``both`` and ``core`` is false. ``secondary`` holds
    the families whose cores are met too, by rank, each with its holder.
    """

    structure: str
    holder: str
    probability: float
    core: bool
    second: str
    second_holder: str
    second_probability: float
    secondary: tuple[tuple[str, str], ...] = ()

    @property
    def settled(self) -> bool:
        """Whether a family is named."""
        return self.structure != UNSETTLED

    @property
    def finer(self) -> tuple[str, str] | None:
        """The author's own family that stands where a core names the pawns, and its holder.

        It is a finer form of what the core names: what is said of that structure is
        true here, and what is said of the finer one comes before it.

        >>> Verdict("maroczy-bind", "white", 1.0, True, "own/clamp", "white", 0.9).finer
        ('own/clamp', 'white')
        """
        stands = self.core and self.second.startswith(OWN_PREFIX) and self.second_probability > 0
        return (self.second, self.second_holder) if stands else None

    @property
    def held(self) -> tuple[tuple[str, str], ...]:
        """What stands and who holds it: a finer form of the author's first, then the structure."""
        named = (self.structure, self.holder)
        return (named,) if self.finer is None else (self.finer, named)

    def holder_of(self, structure: str) -> str:
        """Who holds a structure that is named here, or is the finer one; empty for others."""
        return next((holder for known, holder in self.held if known == structure), "")


@dataclass(frozen=True)
class Verdicts:
    """The verdicts on N skeletons, as columns of shape (N,).

    ``names`` are the family ids that the family columns index; `NONE` stands
    for `UNSETTLED`. Holder columns hold `BOTH`, `WHITE` or `BLACK`.
    """

    names: tuple[str, ...]
    family: npt.NDArray[np.int16]
    holder: npt.NDArray[np.int8]
    probability: npt.NDArray[np.float64]
    core: npt.NDArray[np.bool_]
    second: npt.NDArray[np.int16]
    second_holder: npt.NDArray[np.int8]
    second_probability: npt.NDArray[np.float64]

    def __len__(self) -> int:
        return int(self.family.shape[0])

    def structure(self, row: int) -> str:
        """The family id of one row, or `UNSETTLED`."""
        return self._name(int(self.family[row]))

    def __getitem__(self, row: int) -> Verdict:
        return Verdict(
            structure=self._name(int(self.family[row])),
            holder=HOLDERS[self.holder[row]],
            probability=float(self.probability[row]),
            core=bool(self.core[row]),
            second=self._name(int(self.second[row])),
            second_holder=HOLDERS[self.second_holder[row]],
            second_probability=float(self.second_probability[row]),
        )

    def take(self, rows: npt.NDArray[np.intp]) -> Verdicts:
        """The verdicts of some rows, in that order (rows may repeat)."""
        return Verdicts(
            self.names,
            self.family[rows],
            self.holder[rows],
            self.probability[rows],
            self.core[rows],
            self.second[rows],
            self.second_holder[rows],
            self.second_probability[rows],
        )

    def _name(self, family: int) -> str:
        return UNSETTLED if family == NONE else self.names[family]


Classify = Callable[[Masks], Verdicts]
"""Anything that gives verdicts for a batch of skeletons, ``uint64`` (N, 2)."""
