"""The catalogue: every structure family that the project knows, read from data.

Rank is the order of the file: where several cores are met at once, the family
that stands higher names the position and the others are secondary.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

from pawnlore.structures.core import Core, CoreError, parse_conditions

UNSETTLED = "unsettled"

OWN_PREFIX = "own/"
"""How the id of every author's family begins, so that a shipped one never clashes."""
"""The verdict where no family stands."""


class CatalogueError(ValueError):
    """A catalogue that cannot be used; the message names the family."""


@dataclass(frozen=True, slots=True)
class Family:
    """One structure family, told from its holder's side.

    ``holder`` is the rule in words; ``shared`` is true where the rule is that
    the structure belongs to both sides alike.
    """

    id: str
    name: str
    rank: int
    core: Core
    own: str
    foe: str
    holder: str
    definition: str
    model: str
    openings: tuple[str, ...]
    plan_holder: str
    plan_foe: str

    @property
    def shared(self) -> bool:
        """Whether the holder is always both sides."""
        return self.holder == "both"


@dataclass(frozen=True)
class Catalogue:
    """The families by rank, highest first."""

    families: tuple[Family, ...]

    def __len__(self) -> int:
        return len(self.families)

    @property
    def ids(self) -> tuple[str, ...]:
        """The family ids by rank."""
        return tuple(family.id for family in self.families)

    def __getitem__(self, family_id: str) -> Family:
        for family in self.families:
            if family.id == family_id:
                return family
        raise KeyError(family_id)


def _family(rank: int, row: dict[str, Any]) -> Family:
    family_id = str(row.get("id", f"number {rank + 1}"))
    try:
        core = Core(parse_conditions(row["own"]), parse_conditions(row["foe"]))
        return Family(
            id=row["id"],
            name=row["name"],
            rank=rank,
            core=core,
            own=row["own"],
            foe=row["foe"],
            holder=row["holder"],
            definition=row.get("definition", ""),
            model=row.get("model", ""),
            openings=tuple(row.get("openings", ())),
            plan_holder=row.get("plan_holder", ""),
            plan_foe=row.get("plan_foe", ""),
        )
    except KeyError as error:
        raise CatalogueError(f"family {family_id}: {error.args[0]!r} is missing") from None
    except CoreError as error:
        raise CatalogueError(f"family {family_id}: {error}") from None


def read_catalogue(text: str) -> Catalogue:
    """Read a catalogue from TOML text.

    Raises `CatalogueError` for malformed TOML, a missing field, a core that
    cannot be read or an id that is used twice.
    """
    try:
        rows = tomllib.loads(text).get("family", [])
    except tomllib.TOMLDecodeError as error:
        raise CatalogueError(f"the catalogue is no valid TOML: {error}") from None
    families = tuple(_family(rank, row) for rank, row in enumerate(rows))
    seen: set[str] = set()
    for family in families:
        if family.id in seen or family.id == UNSETTLED:
            raise CatalogueError(f"family {family.id}: the id is used twice or reserved")
        seen.add(family.id)
    return Catalogue(families)


@cache
def shipped_catalogue() -> Catalogue:
    """The catalogue inside the package.

    >>> shipped_catalogue().ids[0]
    'stonewall'
    """
    source = files("pawnlore.structures").joinpath("catalogue.toml")
    return read_catalogue(source.read_text(encoding="utf-8"))
