"""Which classifier a command uses: the shipped one, or a model file that was named."""

from __future__ import annotations

import argparse
from pathlib import Path

from pawnlore.models.classifier import (
    Classifier,
    ModelError,
    load_classifier,
    shipped_classifier,
)
from pawnlore.service.cli import CannotStart
from pawnlore.service.labelled_verdicts import OwnLabels
from pawnlore.service.store_input import add_database_option
from pawnlore.structures.skeleton import Skeleton


def add_model_option(parser: argparse.ArgumentParser, *, taught: bool = False) -> None:
    """Give a command the option ``--model``, and with ``taught`` also ``--taught``."""
    parser.add_argument(
        "--model", metavar="FILE", type=Path, help="a model file of 'pawnlore train' to use"
    )
    if taught:
        parser.add_argument(
            "--taught",
            action="store_true",
            help="judge as the pages do: with the version that was accepted in the store, and "
            "with the labels there",
        )
        add_database_option(parser)


def chosen_classifier(args: argparse.Namespace) -> Classifier:
    """The classifier that ``--model`` names, else the shipped one; what was taught it too.

    With ``--taught`` the version that was accepted in the store comes before it, and
    the author's labels before both. Raises `CannotStart` where the file or the
    store cannot be used.
    """
    taught = getattr(args, "taught", False)
    if getattr(args, "database", None) and "taught" in args and not taught:
        raise CannotStart("--database goes with --taught")
    try:
        base = load_classifier(args.model) if args.model else shipped_classifier()
    except ModelError as error:
        raise CannotStart(str(error)) from None
    if not taught:
        return base
    try:
        from pawnlore.service.taught_at_hand import taught_from_args
    except ImportError as error:
        raise CannotStart(
            f"the store needs the extra 'serve' (pip install 'pawnlore[serve]'): {error}"
        ) from None
    return taught_from_args(args, base)


def own_names(classifier: Classifier) -> dict[str, str]:
    """What the author calls the own families that a classifier knows, by id."""
    names: dict[str, str] = getattr(classifier, "own_names", {})
    return names


def was_labelled(classifier: Classifier, skeleton: Skeleton) -> bool:
    """Whether a label of the author's decides on a skeleton."""
    labels: OwnLabels = getattr(classifier, "labels", {})
    return skeleton.canonical()[0] in labels
