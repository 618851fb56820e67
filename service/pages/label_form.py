"""The form in which an author labels the pawns of a position, and what stands there already."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime

from pawnlore.service.pages.group_keys import HOLDERS, heading
from pawnlore.service.store.label_shelf import LabelShelf, StoredLabel
from pawnlore.structures.catalogue import UNSETTLED, Catalogue
from pawnlore.structures.skeleton import Skeleton
from pawnlore.structures.verdict import SWAPPED


@dataclass(frozen=True, slots=True)
class ShownLabel:
    """A label as it is told; ``holder`` is that of the position at hand."""

    id: str
    structure: str
    holder: str
    told: str
    reason: str
    author: str
    changed: datetime
    revision: int


@dataclass(frozen=True, slots=True)
class LabelForm:
    """The form for one position.

    ``structures`` are pairs of id and name, the author's own and the shipped
    ones. ``next`` is where to go on. ``label`` is what stands, and ``revision``
    what of it was seen. ``faults`` tell what cannot be kept as it was given.
    """

    fen: str
    next: str
    own: tuple[tuple[str, str], ...]
    shipped: tuple[tuple[str, str], ...]
    label: ShownLabel | None
    revision: int
    structure: str
    holder: str
    reason: str = ""
    faults: tuple[str, ...] = field(default=())


def label_form(
    shelf: LabelShelf,
    fen: str,
    skeleton: Skeleton,
    *,
    structure: str,
    holder: str,
    next: str,
    catalogue: Catalogue,
    own: Iterable[tuple[str, str]] = (),
) -> LabelForm:
    """The form with the label that stands, or with a verdict to begin from."""
    stored = shelf.of((skeleton.white, skeleton.black))
    names = dict(own)
    label = None if stored is None else shown_label(stored, skeleton, names)
    chosen = structure if label is None else label.structure
    for one in (structure, chosen):
        if one.startswith("own/"):
            # What is named already can be kept, whether its family is still there or not.
            names.setdefault(one, heading(one)[:80])
    return LabelForm(
        fen,
        next,
        tuple(names.items()),
        shipped_choices(catalogue),
        label,
        label.revision if label else 0,
        chosen,
        holder if label is None else label.holder,
        label.reason if label else "",
    )


def shipped_choices(catalogue: Catalogue) -> tuple[tuple[str, str], ...]:
    """The shipped structures by name."""
    found = ((id, heading(id)) for id in catalogue.ids)
    return tuple(sorted(found, key=lambda pair: pair[1].casefold()))


def shown_label(stored: StoredLabel, skeleton: Skeleton, own: dict[str, str]) -> ShownLabel:
    """A label on a skeleton, which may be the mirror of the one that is kept."""
    _, turned = skeleton.canonical()
    holder = SWAPPED[stored.holder] if turned else stored.holder
    return ShownLabel(
        stored.id,
        stored.structure,
        holder,
        told_verdict(stored.structure, holder, own),
        stored.reason,
        stored.author,
        stored.changed,
        stored.revision,
    )


def told_verdict(structure: str, holder: str, own: dict[str, str] | None = None) -> str:
    """A structure and whose it is, in words.

    >>> told_verdict("carlsbad", "white"), told_verdict("unsettled", "both")
    ('Carlsbad structure, White’s', 'No structure')
    >>> told_verdict("own/clamp", "both", {"own/clamp": "The clamp"})
    'The clamp, both sides’'
    """
    if structure == UNSETTLED:
        return "No structure"
    name = (own or {}).get(structure) or heading(structure)
    return f"{name}, {HOLDERS[holder]}"
