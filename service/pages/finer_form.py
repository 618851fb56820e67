"""An author's own family that stands beside a structure which a core names, for pages."""

from __future__ import annotations

from dataclasses import dataclass
from urllib.parse import urlencode

from pawnlore.service.pages.group_keys import HOLDERS, heading
from pawnlore.service.pages.own_names import own_parent

_SIDES = ("white", "black")


@dataclass(frozen=True, slots=True)
class FinerForm:
    """Its id and holder, its name, and its holder in words.

    ``declared`` tells that the author named the structure as the one that this
    is a finer form of. Another one stands there all the same, and may be held
    by the other side, so it is not told as a form of it.
    """

    structure: str
    holder: str
    name: str
    words: str
    declared: bool

    @property
    def told(self) -> str:
        """What it is to the author."""
        return "Your finer form" if self.declared else "Another family of yours that stands here"

    def new_note(self, side: str) -> str:
        """What an address of a new plan for it asks for, our own where our ``side`` is known.

        >>> FinerForm("own/a5", "black", "The a5 stop", "Black’s", False).new_note("white")
        'structure=own%2Fa5&holder=black&side=foe'
        """
        theirs = side in _SIDES and self.holder in _SIDES and self.holder != side
        return urlencode(
            {
                "structure": self.structure,
                "holder": self.holder if self.holder in _SIDES else "any",
                "side": "foe" if theirs else "holder",
            }
        )


def finer_form(structure: str, holder: str, beside: str) -> FinerForm:
    """How an own family is told that stands ``beside`` a structure which a core names."""
    declared = own_parent(structure) == beside
    return FinerForm(structure, holder, heading(structure), HOLDERS[holder], declared)
