"""The catalogue's own plans: what each side does in a structure, in sections.

They are told from the holder's side, as if the holder were White. They are not
the author's; an author's plan notes come before them.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

SECTIONS = ("breaks", "pieces", "squares", "manoeuvre", "mistake")
"""The sections of a side's plan, in order."""


@dataclass(frozen=True, slots=True)
class PlanTexts:
    """The plans of one family.

    ``holder`` and ``foe`` hold a text for each of `SECTIONS`; ``model_line``
    leads to the structure.
    """

    model_line: str
    holder: dict[str, str]
    foe: dict[str, str]


@cache
def plan_texts(family: str) -> PlanTexts | None:
    """The plans of a family of the shipped catalogue; none where there are none.

    >>> texts = plan_texts("carlsbad")
    >>> texts is not None and "b5" in texts.holder["breaks"]
    True
    >>> plan_texts("own/of-mine") is None
    True
    """
    if not family.replace("-", "").isalnum():
        return None
    source = files("pawnlore.structures").joinpath("plans", f"{family}.toml")
    if not source.is_file():
        return None
    table = tomllib.loads(source.read_text(encoding="utf-8"))
    return PlanTexts(
        model_line=table.get("model_line", ""),
        holder={name: table["holder"][name] for name in SECTIONS if name in table["holder"]},
        foe={name: table["foe"][name] for name in SECTIONS if name in table["foe"]},
    )
