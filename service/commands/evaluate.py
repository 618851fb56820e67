"""``pawnlore evaluate``: examine a model on what nobody trained it on."""

from __future__ import annotations

import argparse
import json
import sys
from dataclasses import asdict

from pawnlore.service.cli import CannotStart

HELP = "examine a classifier: on cores with the core switched off, off the core, and far off"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's options."""
    from pawnlore.service.models_at_hand import add_model_option

    parser.add_argument(
        "--format",
        choices=("table", "json", "card"),
        default="table",
        help="table: for reading (the default); json: for programs; card: the model card",
    )
    parser.add_argument(
        "--compare",
        action="store_true",
        help="train other kinds of models on the same skeletons and set them beside it (minutes)",
    )
    add_model_option(parser)


def run(args: argparse.Namespace) -> int:
    """Sit all papers and print the results."""
    try:
        from pawnlore.models.report import compare_models, examine
    except ImportError as error:
        raise CannotStart(
            f"examining needs the extra 'train' (pip install 'pawnlore[train]'): {error}"
        ) from None
    from pawnlore.models.exam_figures import report_json
    from pawnlore.models.model_card import model_card
    from pawnlore.models.report_text import comparison_table, report_text
    from pawnlore.service.models_at_hand import chosen_classifier

    classifier = chosen_classifier(args)

    def say(text: str) -> None:
        print(f"evaluate: {text}", file=sys.stderr)

    compared = compare_models(classifier, say) if args.compare else []
    if args.format == "card":
        print(model_card(examine(classifier), compared))
    elif args.format == "json":
        if compared:
            print(json.dumps([asdict(row) for row in compared], indent=1))
        else:
            print(report_json(examine(classifier)), end="")
    else:
        print(comparison_table(compared) if compared else report_text(examine(classifier)))
    return 0
