"""How a skeleton is written in the store: the canonical one of it and its mirror."""

from __future__ import annotations

import re

from pawnlore.structures.skeleton import Skeleton

_KEY = re.compile(r"[0-9a-f]{32}\Z")


def skeleton_key(skeleton: tuple[int, int]) -> tuple[str, bool]:
    """The key of a skeleton, and whether its mirror is the canonical one.

    >>> skeleton_key((1 << 8, 1 << 48)) == skeleton_key(Skeleton(1 << 8, 1 << 48).mirrored())
    True
    """
    canonical, swapped = Skeleton(*skeleton).canonical()
    return f"{canonical.white:016x}{canonical.black:016x}", swapped


def skeleton_of_key(key: str) -> tuple[int, int]:
    """The canonical skeleton of a key; raises ValueError."""
    if not _KEY.match(key):
        raise ValueError(f"{key!r} is no key of a skeleton")
    return int(key[:16], 16), int(key[16:], 16)
