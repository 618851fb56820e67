"""Judging the nodes of a stored repertoire anew, with the model in use."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from typing import Any, Protocol

import numpy as np

from pawnlore.service.store.repertoire_shelf import (
    Changes,
    Content,
    RepertoireShelf,
    StoredRepertoire,
    Then,
    compare,
)
from pawnlore.service.store.store import Store
from pawnlore.structures.distinct_verdicts import DistinctVerdicts
from pawnlore.structures.skeleton import Masks
from pawnlore.structures.structure_paths import NO_STRUCTURE, finer_codes
from pawnlore.structures.verdict import Verdicts

_AT_ONCE = 2_000


class Judge(Protocol):
    """What gives verdicts, such as a `Classifier`; ``digest`` tells which one it is."""

    @property
    def digest(self) -> str:
        """The SHA-256 of the model's file."""
        ...

    def classify(self, masks: Masks) -> Verdicts:
        """Verdicts on a batch of skeletons (N, 2)."""
        ...


@dataclass(frozen=True)
class Rejudged:
    """What came of it: the repertoire now, what moved, and the model that judged before.

    ``finer`` counts the nodes that keep their structure and holder, and at which
    another finer form stands now, or none any more.
    """

    repertoire: StoredRepertoire
    changes: Changes
    model_before: str
    skeletons: int
    finer: int


def rejudge(
    store: Store,
    classifier: Judge,
    repertoire_id: str,
    progress: Callable[[int, int], None] = lambda done, total: None,
    *,
    then: Then | None = None,
) -> Rejudged:
    """Give every node of a repertoire the verdict of this classifier.

    The files, the nodes and the author's labels stay as they are. What moved to
    another structure or holder is kept with the repertoire (`RepertoireShelf.changes`).
    ``progress`` is told of skeletons done and of all, and may raise to end it;
    then nothing is changed. ``then`` writes more in the same transaction.
    Raises `NotFound`, and `StoreBusy` where it is uploaded again meanwhile.
    """
    shelf = RepertoireShelf(store)
    kept = shelf.get(repertoire_id)
    old = shelf.content(kept.id)
    masks = old.distinct.masks
    distinct = replace(old.distinct, verdicts=_judged(classifier, masks, progress))
    changes = compare(old, Content(old.book, distinct, classifier.digest))
    now = shelf.judge_anew(kept, old.book, distinct, changes, model=classifier.digest, then=then)
    finer = _finer_changed(old.distinct, distinct)
    return Rejudged(now, changes, kept.model, len(masks), finer)


def _finer_changed(before: DistinctVerdicts, after: DistinctVerdicts) -> int:
    """The nodes of the same skeletons that keep their name and change their finer form."""
    nodes = np.bincount(after.inverse, minlength=len(after.verdicts))
    stood = finer_codes(before.verdicts) != NO_STRUCTURE
    maybe = stood | (finer_codes(after.verdicts) != NO_STRUCTURE)
    changed = 0
    for row in np.flatnonzero(maybe).tolist():
        was, now = before.verdicts[row], after.verdicts[row]
        same = (was.structure, was.holder) == (now.structure, now.holder)
        if same and was.finer != now.finer:
            changed += int(nodes[row])
    return changed


def _judged(classifier: Judge, masks: Masks, progress: Callable[[int, int], None]) -> Verdicts:
    """Verdicts on all of them, some at a time."""
    parts: list[Verdicts] = []
    progress(0, len(masks))
    for start in range(0, max(1, len(masks)), _AT_ONCE):
        parts.append(classifier.classify(masks[start : start + _AT_ONCE]))
        progress(min(start + _AT_ONCE, len(masks)), len(masks))
    columns: dict[str, Any] = {
        column.name: np.concatenate([getattr(part, column.name) for part in parts])
        for column in fields(Verdicts)
        if column.name != "names"
    }
    return Verdicts(parts[0].names, **columns)
