"""Which classifier a command on the store uses: the one that a service on it would use."""

from __future__ import annotations

import argparse
import sys

from pawnlore.models.classifier import Classifier
from pawnlore.service import models_at_hand
from pawnlore.service.store.store import Store
from pawnlore.service.teaching_desk import TeachingDesk, UnusableModel


def classifier_in_use(args: argparse.Namespace, store: Store) -> Classifier:
    """The version that the author accepted, else the one of ``--model`` or the shipped one.

    A version that cannot be used is told on standard error and left aside, as
    a service does. Raises `CannotStart` where the file of ``--model`` cannot be
    used, and `StoreError`.
    """
    base = models_at_hand.chosen_classifier(args)
    try:
        return TeachingDesk(store, base).in_use()
    except UnusableModel as error:
        print(f"pawnlore {args.command}: {error}; it is left aside", file=sys.stderr)
        return base
