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

    parser.add_argument("--format", choices=("table", "json"), default="table")
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
    from pawnlore.models.report_text import comparison_table, report_text
    from pawnlore.service.models_at_hand import chosen_classifier

    classifier = chosen_classifier(args)
    if args.compare:
        rows = compare_models(classifier, lambda text: print(f"evaluate: {text}", file=sys.stderr))
        if args.format == "json":
            print(json.dumps([asdict(row) for row in rows], indent=1))
        else:
            print(comparison_table(rows))
        return 0
    report = examine(classifier)
    if args.format == "json":
        print(json.dumps(asdict(report), indent=1))
    else:
        print(report_text(report))
    return 0
