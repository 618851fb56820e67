"""What the network sees of a skeleton: where the pawns stand, told file by file."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from pawnlore.structures.encoding import encode, feature_names
from pawnlore.structures.skeleton import Masks

GROUPS = ("pawns", "occupancy")
"""The groups of columns that the network is trained on."""

WIDTH = len(feature_names(GROUPS))
"""The number of columns, 128."""


def network_input(masks: Masks) -> npt.NDArray[np.float32]:
    """Turn a batch (N, 2) into the network's rows, ``float32`` of shape (N, 128)."""
    return encode(masks, GROUPS)
