"""``pawnlore survey``: what whole game collections play, into Parquet."""

from __future__ import annotations

import argparse
import os
import sys
from importlib.util import find_spec
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pawnlore.service.survey.run_survey import Outcome

HELP = "survey whole game collections: structures, scores and breaks, into Parquet"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's options."""
    parser.add_argument(
        "games",
        nargs="+",
        metavar="GAMES",
        help="a PGN collection, plain or packed (gzip, bzip2, Zstandard); a path or an address",
    )
    parser.add_argument(
        "-o", "--output", metavar="OUT", required=True, help="the folder that the survey goes into"
    )
    parser.add_argument(
        "--header",
        action="append",
        default=[],
        metavar="NAME",
        help="keep this header too, as a column header_name; may be given several times",
    )
    parser.add_argument(
        "--players", action="store_true", help="keep the players' names, which are left out else"
    )
    parser.add_argument(
        "--moves",
        type=int,
        default=40,
        metavar="N",
        help="half-moves of each game to keep, for setting the survey beside a repertoire (40)",
    )
    parser.add_argument(
        "--keep-duplicates", action="store_true", help="keep games that came before"
    )
    parser.add_argument(
        "--jobs",
        type=int,
        metavar="N",
        help="worker processes; as many as there are cores is the default",
    )
    parser.add_argument(
        "--scheduler",
        default="",
        metavar="ADDRESS",
        help="work on the Dask cluster with this scheduler, for example tcp://127.0.0.1:8786",
    )
    parser.add_argument(
        "--careful",
        action="store_true",
        help="read every game with python-chess, not only those that the fast reader leaves",
    )
    parser.add_argument(
        "--shard-mib",
        type=int,
        default=64,
        metavar="N",
        help="MiB of plain text that a worker takes at a time (64)",
    )
    parser.add_argument(
        "--model", metavar="FILE", default="", help="a model file of 'pawnlore train' to use"
    )


def run(args: argparse.Namespace) -> int:
    """Survey; 1 where some input was bad, each named on standard error."""
    from pawnlore.models.classifier import ModelError
    from pawnlore.service.cli import CannotStart

    _check(args)
    from pawnlore.service.progress import progress_bar
    from pawnlore.service.survey.place import NoRoom
    from pawnlore.service.survey.run_survey import CannotSurvey, Options, survey
    from pawnlore.service.survey.tables import Columns

    options = Options(
        Columns(tuple(dict.fromkeys(args.header)), args.players, args.moves),
        jobs=args.jobs or _cores(),
        scheduler=args.scheduler,
        keep_duplicates=args.keep_duplicates,
        model=args.model,
        careful=args.careful,
        shard_bytes=args.shard_mib << 20,
    )

    def say(text: str) -> None:
        print(f"pawnlore survey: {text}", file=sys.stderr, flush=True)

    try:
        with progress_bar("surveying", _size(args.games)) as advance:
            outcome = survey(args.games, args.output, options, advance, say)
    except (CannotSurvey, NoRoom, ModelError) as error:
        raise CannotStart(str(error)) from None
    for line in account_lines(outcome):
        print(line)
    for given in outcome.inputs:
        if given.trouble:
            say(f"{given.path}: {given.trouble}")
    for trouble in outcome.account.troubles:
        say(trouble)
    return 0 if outcome.all_good else 1


def account_lines(outcome: Outcome) -> list[str]:
    """What became of the games, for people."""
    account = outcome.account
    lines = [f"{account.games:,} games kept, {account.positions:,} positions read"]
    if account.cut_short:
        lines.append(f"  {account.cut_short:,} of them only up to a move that cannot be read")
        lines += [f"    {text}" for text in account.examples.get(_CUT, [])]
    if account.skipped:
        lines.append(f"{sum(account.skipped.values()):,} games left out")
    for reason, count in sorted(account.skipped.items(), key=lambda item: -item[1]):
        lines.append(f"  {count:,} {reason}")
        lines += [f"    {text}" for text in account.examples.get(reason, [])]
    for table, rows in outcome.rows.items():
        lines.append(f"{table}: {rows:,} rows, {outcome.sizes[table]:,} bytes")
    return lines


_CUT = "kept up to a move that cannot be read"


def _check(args: argparse.Namespace) -> None:
    from pawnlore.service.cli import CannotStart

    missing = [name for name in ("fsspec", "joblib", "numba", "pyarrow") if find_spec(name) is None]
    if missing:
        raise CannotStart(f"this needs {', '.join(missing)}: install pawnlore[survey]")
    if args.moves < 0 or args.moves > 1000:
        raise CannotStart("--moves is a number from 0 to 1000")
    if args.jobs is not None and args.jobs < 1:
        raise CannotStart("--jobs is at least 1")
    if args.shard_mib < 1:
        raise CannotStart("--shard-mib is at least 1")
    for name in args.header:
        if not name.isascii() or not name.replace("_", "a").isalnum():
            raise CannotStart(f"{name!r} is no header's name: letters, digits and _ only")


def _cores() -> int:
    try:
        return len(os.sched_getaffinity(0))
    except AttributeError:  # not on every system
        return os.cpu_count() or 1


def _size(names: list[str]) -> int | None:
    total = 0
    for name in names:
        try:
            total += os.stat(name).st_size
        except (OSError, ValueError):
            return None
    return total
