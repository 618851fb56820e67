"""Definitions of a family that were learnt, and how a skeleton is judged by them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pawnlore.models.traits import Codes

DEFINITIONS = 64
"""Definitions that are kept of a family, one for each bit of a table's entries."""


@dataclass(frozen=True)
class Definitions:
    """What was learnt: ``tables`` (traits, `CODES`), ``uint64`` with a bit for each definition."""

    tables: npt.NDArray[np.uint64]

    def share(self, codes: Codes) -> npt.NDArray[np.float64]:
        """The share of the definitions that each row of codes meets, (N,)."""
        met = self.tables[0][codes[:, 0]]
        for place in range(1, codes.shape[1]):
            met &= self.tables[place][codes[:, place]]
        return np.asarray(np.bitwise_count(met) / DEFINITIONS, dtype=np.float64)

    def allowed(self, place: int) -> npt.NDArray[np.float64]:
        """For one trait, the share of the definitions that each code meets, (`CODES`,)."""
        return np.asarray(np.bitwise_count(self.tables[place]) / DEFINITIONS, dtype=np.float64)
