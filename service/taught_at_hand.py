"""What the author taught, for commands that need no store otherwise."""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass, field, fields

import numpy as np

from pawnlore.models.classifier import Classifier, ModelError
from pawnlore.models.taught_classifier import TaughtClassifier
from pawnlore.service.labelled_repertoire import with_labels
from pawnlore.service.labelled_verdicts import OwnLabels
from pawnlore.service.store.family_shelf import FamilyShelf
from pawnlore.service.store.label_shelf import LabelShelf
from pawnlore.service.store.model_shelf import SHIPPED, ModelShelf
from pawnlore.service.store.store import Store
from pawnlore.service.store_input import store_from_args
from pawnlore.service.stored_version import stored_version
from pawnlore.structures.distinct_verdicts import DistinctVerdicts
from pawnlore.structures.skeleton import Masks, Skeleton
from pawnlore.structures.verdict import Verdicts


@dataclass(frozen=True)
class LabelledClassifier(TaughtClassifier):
    """A classifier whose verdicts give way to the author's labels, as on the pages.

    ``labels`` are for canonical skeletons; ``own_names`` are what the author
    calls the own families, by id.
    """

    labels: OwnLabels = field(default_factory=dict)
    own_names: dict[str, str] = field(default_factory=dict)

    def classify(self, masks: Masks, *, cores: bool = True) -> Verdicts:
        """Verdicts for a batch of skeletons (N, 2): the label where there is one."""
        found = super().classify(masks, cores=cores)
        rows = np.arange(masks.shape[0], dtype=np.intp)
        return with_labels(DistinctVerdicts(masks, found, rows), self.labels).verdicts


def classifier_with_labels(store: Store, base: Classifier) -> tuple[LabelledClassifier, str]:
    """What the pages of a service on this store say, and why an accepted version is left aside.

    Raises `StoreError`.
    """
    shelf, fault = ModelShelf(store), ""
    used, number = base, shelf.in_use().version
    if number != SHIPPED:
        try:
            used = stored_version(shelf, number, base.catalogue)
        except ModelError as error:
            fault = f"version {number} cannot be used: {error}; it is left aside"
    labels = {
        Skeleton(*label.skeleton): (label.structure, label.holder)
        for label in LabelShelf(store).list()
    }
    kept = {f.name: getattr(used, f.name) for f in fields(Classifier) if f.init}
    own = used.own if isinstance(used, TaughtClassifier) else ()
    names = names_in_store(store, used)
    return LabelledClassifier(**kept, own=own, labels=labels, own_names=names), fault


def names_in_store(store: Store, used: Classifier) -> dict[str, str]:
    """What own families are called, by id; as a version learnt them where they are gone.

    Raises `StoreError`.
    """
    own = used.own if isinstance(used, TaughtClassifier) else ()
    return {**{family.id: family.name for family in own}, **FamilyShelf(store).names()}


def taught_from_args(args: argparse.Namespace, base: Classifier) -> LabelledClassifier:
    """The same for the store that a command's arguments name; raises `CannotStart`.

    A version that cannot be used is told on standard error.
    """
    with store_from_args(args) as store:
        found, fault = classifier_with_labels(store, base)
    if not (fault or found.own or found.labels or found.digest != base.digest):
        fault = "nothing was taught in this store, so that the model itself judges"
    if fault:
        print(f"pawnlore {args.command}: {fault}", file=sys.stderr)
    return found
