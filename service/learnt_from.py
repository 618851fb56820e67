"""What a version was taught from, counted: labels by author, families with their examples."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from pawnlore.models.taught_figures import FamilyLearnt, LabelsLearnt, LearntFrom
from pawnlore.service.store.family_shelf import StoredFamily
from pawnlore.service.store.label_shelf import StoredLabel

MOST_ROWS = 2_000
"""Pairs of an author and a structure that are told; the others are counted as one."""

_MOST_AUTHORS = 20


def learnt_from(
    labels: Sequence[StoredLabel], families: Sequence[StoredFamily], *, base: str, seed: int
) -> LearntFrom:
    """Count what a version learns from.

    Labels are counted by who gave them and the structure, the most frequent
    first; ``base`` is the digest of the model that is taught.
    """
    counted = Counter((label.author, label.structure) for label in labels)
    ordered = sorted(counted.items(), key=lambda pair: (-pair[1], pair[0]))
    rows = [LabelsLearnt(author, structure, count) for (author, structure), count in ordered]
    if len(rows) > MOST_ROWS:
        left = sum(row.count for row in rows[MOST_ROWS:])
        rows = [*rows[:MOST_ROWS], LabelsLearnt("", "", left)]
    return LearntFrom(base, seed, tuple(rows), tuple(_family(one) for one in families))


def _family(stored: StoredFamily) -> FamilyLearnt:
    examples = [example for example in stored.examples if not example.counter]
    authors = sorted({example.author for example in stored.examples if example.author})
    told = ", ".join(authors[:_MOST_AUTHORS])
    if len(authors) > _MOST_AUTHORS:
        told += f" and {len(authors) - _MOST_AUTHORS} others"
    corrections = [*(f"must have {c}" for c in stored.must)]
    corrections += [f"{trait} does not matter" for trait in stored.free]
    return FamilyLearnt(
        stored.id,
        stored.name,
        stored.parent,
        len(examples),
        len(stored.examples) - len(examples),
        told,
        "; ".join(corrections),
    )
