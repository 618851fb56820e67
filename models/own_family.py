"""An author's own family: given by examples, learnt, and recognised."""

from __future__ import annotations

import re
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from pawnlore.models.definitions import Definitions
from pawnlore.models.traits import FILE_TRAITS, FOE, OWN, Codes, file_codes, traits
from pawnlore.structures.core import CoreError, parse_conditions
from pawnlore.structures.skeleton import Masks
from pawnlore.structures.verdict import BLACK, BOTH, WHITE

PREFIX = "own/"
"""How the id of every author's family begins, so that a shipped one never clashes."""

MOST_CORRECTIONS = 32

_ID = re.compile(r"own/[a-z0-9]+(?:-[a-z0-9]+)*\Z")
_LONGEST_ID = 80


class FamilyError(ValueError):
    """An own family that cannot be used; the message is meant for people."""


@dataclass(frozen=True)
class Corrections:
    """What the author said about what the examples have in common.

    ``must`` are conditions as cores write them after ``own`` or ``foe``, such
    as ``own d4`` or ``foe no e``; ``free`` are names of traits that do not
    matter, such as ``own h``.
    """

    must: tuple[str, ...] = ()
    free: tuple[str, ...] = ()

    def fixed(self) -> dict[int, int]:
        """Allowed codes by the place of the trait; raises `FamilyError`.

        >>> Corrections(must=("own no e",), free=("foe h",)).fixed()[4]
        1
        """
        if len(self.must) + len(self.free) > MOST_CORRECTIONS:
            raise FamilyError(f"{MOST_CORRECTIONS} corrections are the most")
        found: dict[int, int] = {}
        places = {trait.name: place for place, trait in enumerate(traits())}
        for name in self.free:
            if name not in places:
                raise FamilyError(
                    f"{name!r} is nothing that a family is told by; a file is written as 'own h' "
                    "or 'foe h'"
                )
            found[places[name]] = (1 << 64) - 1
        for text in self.must:
            place, codes = _condition(text)
            found[place] = codes if place not in found else found[place] & codes
            if not found[place]:
                raise FamilyError(
                    f"no position has {text!r} and all else that you said of that file; take one "
                    "back, or give what may stand there together, as in 'foe c6|c7'"
                )
        return found

    def unmet(self, views: Codes) -> tuple[tuple[str, int], ...]:
        """The conditions that some examples lack, each with how many of them do.

        ``views`` (N, traits) are the examples' codes from their holders' sides.
        """
        found = []
        for text in self.must:
            place, codes = _condition(text)
            lacking = sum(not (codes >> int(code)) & 1 for code in views[:, place])
            if lacking:
                found.append((text, lacking))
        return tuple(found)


@dataclass(frozen=True)
class OwnFamily:
    """What the author gave.

    ``examples`` (k, 2) with ``holders`` (k,), `WHITE`, `BLACK` or `BOTH`;
    ``counter`` (c, 2) are skeletons that do not belong. ``parent`` is a shipped
    family that this one refines, or empty.
    """

    id: str
    name: str
    examples: Masks
    holders: npt.NDArray[np.int8]
    counter: Masks
    parent: str = ""
    corrections: Corrections = field(default_factory=Corrections)


@dataclass(frozen=True)
class LearntFamily:
    """A family that was learnt. ``stands`` is the share from which on it is named."""

    id: str
    name: str
    parent: str
    shared: bool
    stands: float
    examples: int
    definitions: Definitions

    def judge(
        self, white: Codes, black: Codes
    ) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.int8]]:
        """The share of the definitions that N skeletons meet, and whose the family is.

        ``white`` and ``black`` are their codes with either side as the holder.
        Where both sides hold it equally well the holder is `BOTH`.
        """
        by_white, by_black = self.definitions.share(white), self.definitions.share(black)
        holder = np.where(by_white > by_black, WHITE, np.where(by_black > by_white, BLACK, BOTH))
        if self.shared:
            holder[:] = BOTH
        return np.maximum(by_white, by_black), holder.astype(np.int8)


def check_id(id: str) -> str:
    """The id of an own family; raises `FamilyError`.

    >>> check_id("own/wing-clamp")
    'own/wing-clamp'
    """
    if len(id) > _LONGEST_ID or not _ID.match(id):
        raise FamilyError(
            f"the id of a family of your own is {PREFIX} and then small letters, digits and "
            f"hyphens, as in own/wing-clamp; {id[:60]!r} is none"
        )
    return id


def _condition(text: str) -> tuple[int, int]:
    side, _, rest = text.strip().partition(" ")
    try:
        conditions = parse_conditions(rest)
    except CoreError as error:
        raise FamilyError(f"{text!r} is no condition: {error}") from None
    if side not in ("own", "foe") or len(conditions) != 1:
        raise FamilyError(
            f"{text!r} is no condition; write 'own' or 'foe' and what stands on one file, as in "
            "'own d4', 'foe c6|c7' or 'own no e'"
        )
    alternatives = conditions[0].alternatives
    if len(alternatives) != 1:
        raise FamilyError(f"{text!r} speaks of two files; give each file by itself")
    place = (FOE if side == "foe" else OWN) * (FILE_TRAITS // 2) + alternatives[0].file
    return place, file_codes(alternatives[0])
