"""Verdicts on a repertoire: equal skeletons are classified once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pawnlore.structures.repertoire import Repertoire
from pawnlore.structures.skeleton import Masks
from pawnlore.structures.verdict import Classify, Verdicts


@dataclass(frozen=True)
class DistinctVerdicts:
    """The verdicts on M distinct skeletons, and which of them each node has.

    ``masks`` is ``uint64`` (M, 2), ``inverse`` is (N,): node ``i`` has the
    verdict ``verdicts[inverse[i]]``.
    """

    masks: Masks
    verdicts: Verdicts
    inverse: npt.NDArray[np.intp]

    def every_node(self) -> Verdicts:
        """The verdicts as N rows, one a node."""
        return self.verdicts.take(self.inverse)


def distinct_skeletons(masks: Masks) -> tuple[Masks, npt.NDArray[np.intp]]:
    """The distinct skeletons (M, 2) of a batch (N, 2), and each row's place in them (N,).

    >>> batch = np.array([[512, 0], [256, 0], [512, 0]], dtype=np.uint64)
    >>> distinct, inverse = distinct_skeletons(batch)
    >>> distinct[:, 0].tolist(), inverse.tolist()
    ([256, 512], [1, 0, 1])
    """
    order = np.lexsort((masks[:, 1], masks[:, 0]))
    in_order = masks[order]
    new = np.ones(masks.shape[0], dtype=bool)
    if masks.shape[0]:
        new[1:] = (in_order[1:] != in_order[:-1]).any(axis=1)
    inverse = np.empty(masks.shape[0], dtype=np.intp)
    inverse[order] = np.cumsum(new) - 1
    return np.ascontiguousarray(in_order[new]), inverse


def distinct_verdicts(repertoire: Repertoire, classify: Classify) -> DistinctVerdicts:
    """Classify every distinct skeleton of a repertoire once."""
    masks, inverse = distinct_skeletons(repertoire.masks)
    return DistinctVerdicts(masks, classify(masks), inverse)
