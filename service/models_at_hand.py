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


def add_model_option(parser: argparse.ArgumentParser) -> None:
    """Give a command the option ``--model``."""
    parser.add_argument(
        "--model", metavar="FILE", type=Path, help="a model file of 'pawnlore train' to use"
    )


def chosen_classifier(args: argparse.Namespace) -> Classifier:
    """The classifier that ``--model`` names, else the shipped one.

    Raises `CannotStart` where the file cannot be used.
    """
    try:
        return load_classifier(args.model) if args.model else shipped_classifier()
    except ModelError as error:
        raise CannotStart(str(error)) from None
