"""The author's own labels, which decide before cores and classifier do."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from pawnlore.structures.skeleton import Skeleton
from pawnlore.structures.verdict import SWAPPED, Verdict

OwnLabels = Mapping[Skeleton, tuple[str, str]]
"""Structure and holder for canonical skeletons."""


def own_verdict(labels: OwnLabels, skeleton: Skeleton, verdict: Verdict) -> Verdict | None:
    """The author's verdict on a skeleton; none where it has no label.

    A label on a skeleton is one on its mirror too, with the holder swapped.
    What the classifier held, ``verdict``, becomes the runner-up where it is
    another one. A label that says what the core says leaves a finer form beside
    it: it speaks of the structure alone, and a student could tell it from none
    if plans went with it.

    >>> loner = Skeleton(0, 1 << 35)
    >>> other = Verdict("open-centre", "both", 0.6, False, "unsettled", "both", 0.3)
    >>> found = own_verdict({loner: ("own/loner", "black")}, loner, other)
    >>> found.structure, found.holder, found.probability, found.second
    ('own/loner', 'black', 1.0, 'open-centre')
    """
    if not labels:
        return None
    canonical, swapped = skeleton.canonical()
    label = labels.get(canonical)
    if label is None:
        return None
    structure, holder = label
    if swapped:
        holder = SWAPPED[holder]
    if (structure, holder) == (verdict.structure, verdict.holder):
        second = verdict.second_probability if verdict.finer else 0.0
        return replace(verdict, probability=1.0, second_probability=second)
    return Verdict(
        structure=structure,
        holder=holder,
        probability=1.0,
        core=False,
        second=verdict.structure,
        second_holder=verdict.holder,
        second_probability=0.0,
    )
