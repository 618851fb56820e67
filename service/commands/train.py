"""``pawnlore train``: build a model file."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from pawnlore.service.cli import CannotStart

HELP = "train a classifier and write it to a model file"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's options."""
    parser.add_argument(
        "-o", "--output", type=Path, required=True, metavar="FILE.npz", help="the model file"
    )
    parser.add_argument("--seed", type=int, default=None, help="another seed than the plan's")
    parser.add_argument(
        "--quick", action="store_true", help="a tenth of the skeletons, to try things out"
    )


def run(args: argparse.Namespace) -> int:
    """Train and save."""
    try:
        from pawnlore.models.training import TrainingPlan, quick_plan, train
    except ImportError as error:
        raise CannotStart(
            f"training needs the extra 'train' (pip install 'pawnlore[train]'): {error}"
        ) from None
    from dataclasses import replace

    from pawnlore.models.classifier import save_classifier

    if args.output.suffix != ".npz":
        raise CannotStart(f"{args.output}: a model file's name ends in .npz")
    if not args.output.parent.is_dir():
        raise CannotStart(f"{args.output.parent}: there is no such folder")
    plan = quick_plan() if args.quick else TrainingPlan()
    if args.seed is not None:
        plan = replace(plan, seed=args.seed)
    from pawnlore.service.progress import progress_bar

    # Four steps beside the rounds of the network; without a terminal they are lines.
    with progress_bar("training", plan.rounds + 4, unit=" steps") as advance:

        def say(text: str) -> None:
            advance(1)
            if not sys.stderr.isatty():
                print(f"train: {text}", file=sys.stderr)

        classifier = train(plan, say)
    try:
        digest = save_classifier(classifier, args.output)
    except OSError as error:
        raise CannotStart(f"{args.output}: cannot be written ({error.strerror})") from None
    print(f"wrote {args.output} (SHA-256 {digest})")
    return 0
