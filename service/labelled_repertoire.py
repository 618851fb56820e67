"""A repertoire's verdicts with the author's own labels put first."""

from __future__ import annotations

from pawnlore.service.labelled_verdicts import OwnLabels, own_verdict
from pawnlore.structures.catalogue import UNSETTLED
from pawnlore.structures.distinct_verdicts import DistinctVerdicts
from pawnlore.structures.skeleton import unpack
from pawnlore.structures.verdict import HOLDERS, NONE, Verdict, Verdicts


def with_labels(distinct: DistinctVerdicts, labels: OwnLabels) -> DistinctVerdicts:
    """The verdicts where a label decides before they do; the given ones are not changed.

    >>> import numpy as np
    >>> from pawnlore.structures.skeleton import Skeleton
    >>> masks, none = np.array([[1 << 27, 0], [0, 0]], dtype=np.uint64), np.full(2, NONE, np.int16)
    >>> zero, holder = np.zeros(2), np.zeros(2, dtype=np.int8)
    >>> found = Verdicts((), none, holder, zero, zero > 0, none, holder, zero)
    >>> own = with_labels(
    ...     DistinctVerdicts(masks, found, np.array([0, 1])),
    ...     {Skeleton(1 << 27, 0).canonical()[0]: ("own/loner", "black")})
    >>> own.verdicts[0].structure, own.verdicts[0].holder, found[0].structure
    ('own/loner', 'white', 'unsettled')
    """
    if not labels:
        return distinct
    found = distinct.verdicts
    changed: dict[int, Verdict] = {}
    for row, skeleton in enumerate(unpack(distinct.masks)):
        if skeleton.canonical()[0] in labels:
            own = own_verdict(labels, skeleton, found[row])
            if own is not None:
                changed[row] = own
    if not changed:
        return distinct
    named = [name for own in changed.values() for name in (own.structure, own.second)]
    names = tuple(dict.fromkeys((*found.names, *(name for name in named if name != UNSETTLED))))
    rank = {UNSETTLED: NONE, **{name: place for place, name in enumerate(names)}}
    copy = Verdicts(
        names,
        found.family.copy(),
        found.holder.copy(),
        found.probability.copy(),
        found.core.copy(),
        found.second.copy(),
        found.second_holder.copy(),
        found.second_probability.copy(),
    )
    for row, own in changed.items():
        copy.family[row] = rank[own.structure]
        copy.holder[row] = HOLDERS.index(own.holder)
        copy.probability[row] = own.probability
        copy.core[row] = own.core
        copy.second[row] = rank[own.second]
        copy.second_holder[row] = HOLDERS.index(own.second_holder)
        copy.second_probability[row] = own.second_probability
    return DistinctVerdicts(distinct.masks, copy, distinct.inverse)
