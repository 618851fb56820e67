"""Loops that are compiled when they are first called, and kept compiled on disk."""

from __future__ import annotations

import os
from collections.abc import Callable
from typing import Any, TypeVar, cast

import numpy.typing as npt

Array = npt.NDArray[Any]
"""An array inside a compiled loop; what it holds is told by the function around the loop."""

_F = TypeVar("_F", bound=Callable[..., Any])


def compiled(function: _F) -> _F:
    """Compile a function on arrays and numbers with numba.

    The code is cached beside the source, or in the user's cache folder where
    that cannot be written, so that only the first run of all waits for it.
    ``PAWNLORE_COMPILE_CACHE=0`` keeps it in memory alone.
    """
    import numba

    cache = os.environ.get("PAWNLORE_COMPILE_CACHE", "1") != "0"
    return cast(
        _F,
        numba.njit(
            cache=cache,
            nogil=True,
            error_model="numpy",
            fastmath={"contract", "reassoc", "nsz", "nnan"},
        )(function),
    )
