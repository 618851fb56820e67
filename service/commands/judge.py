"""``pawnlore judge``: the store's repertoires judged anew."""

from __future__ import annotations

import argparse
import sys

from pawnlore.service import models_at_hand
from pawnlore.service.models_at_hand import add_model_option

HELP = "judge repertoires of the store anew with the model in use, and say what moved"

_COLUMNS = (
    "repertoire",
    "chapter",
    "moves",
    "structure_before",
    "holder_before",
    "structure",
    "holder",
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's options."""
    from pawnlore.service.store_input import add_database_option

    parser.add_argument(
        "repertoire",
        nargs="*",
        metavar="ID",
        help="a repertoire's id; without any, all that another model judged",
    )
    parser.add_argument(
        "--list", action="store_true", help="only list the repertoires, and which need it"
    )
    parser.add_argument(
        "--format",
        choices=("table", "csv"),
        default="table",
        help="how to write what moved: for reading (the default), or a row for each node",
    )
    add_model_option(parser)
    add_database_option(parser)


def run(args: argparse.Namespace) -> int:
    """Judge them one after the other; 1 where there is none of some id."""
    import csv

    from pawnlore.service.progress import progress_bar
    from pawnlore.service.store_input import store_from_args

    with store_from_args(args) as store:
        from pawnlore.service.classifier_from_store import classifier_in_use
        from pawnlore.service.rejudging import rejudge
        from pawnlore.service.store.errors import NotFound
        from pawnlore.service.store.repertoire_shelf import RepertoireShelf

        # A file that is named is meant; else what was accepted is in use.
        classifier = (
            models_at_hand.chosen_classifier(args) if args.model else classifier_in_use(args, store)
        )
        kept = RepertoireShelf(store).list()
        if args.list:
            for one in kept:
                use = "in use" if one.model == classifier.digest else "another model"
                print(f"{one.id}  {one.nodes:>9,}  {use:13}  {one.name}")
            return 0
        ids = args.repertoire or [one.id for one in kept if one.model != classifier.digest]
        rows = csv.DictWriter(sys.stdout, _COLUMNS, lineterminator="\n", extrasaction="ignore")
        if args.format == "csv":
            rows.writeheader()
        status = 0
        for id in ids:
            told = 0
            try:
                with progress_bar("judging", None, "skeleton") as advance:

                    def progress(done: int, total: int) -> None:
                        nonlocal told
                        advance(done - told)
                        told = done

                    done = rejudge(store, classifier, id, progress)
            except NotFound as error:
                print(f"pawnlore judge: {id}: {error}", file=sys.stderr)
                status = 1
                continue
            moved = done.changes
            for row in moved.rows:
                cells = {**{name: getattr(row, name) for name in _COLUMNS[1:]}, "repertoire": id}
                if args.format == "csv":
                    rows.writerow(cells)
                else:
                    print(
                        f"{row.chapter}  {row.moves}: {row.structure_before} "
                        f"({row.holder_before}) is now {row.structure} ({row.holder})"
                    )
            print(
                f"{done.repertoire.name}: {done.repertoire.nodes:,} nodes judged, "
                f"{moved.moved:,} moved to another structure or holder"
                + (f", {done.finer:,} to another finer form" if done.finer else ""),
                file=sys.stderr,
            )
        if not ids:
            print("nothing to do: the model in use judged every repertoire", file=sys.stderr)
        return status
