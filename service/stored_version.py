"""A version of the taught model, read from the store and held to its digest."""

from __future__ import annotations

from pawnlore.models.taught_classifier import TaughtClassifier, read_taught
from pawnlore.service.store.model_shelf import ModelShelf
from pawnlore.structures.catalogue import Catalogue


def stored_version(shelf: ModelShelf, number: int, catalogue: Catalogue) -> TaughtClassifier:
    """The classifier of a version; raises `NotFound`, and `ModelError` where it was changed."""
    digest = shelf.get(number).digest
    return read_taught(shelf.content(number), digest=digest, catalogue=catalogue)
