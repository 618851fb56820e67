"""How fast game collections are surveyed, against a plain script and against the reader alone.

    python tests/benchmarks/benchmark_survey.py [--games 20000] [--branches 10] [--repeats 3]
    python tests/benchmarks/benchmark_survey.py --growth 10000 100000 1000000 --write
    python tests/benchmarks/benchmark_survey.py --workers --write

CPU seconds of one process, all libraries on one thread, on the same games:

- *plain*: python-chess reads, and every position gets one row of 128 pawn bits and
  one ``predict_proba`` of a linear model with as many classes as ours;
- *reader*: the compiled reader alone, on texts that are in memory and cut into games,
  2 MiB of them at a time;
- *reader in small pieces*: the same in pieces of the size that the survey has found best
  for it; what is freed is kept in both, as the survey has it;
- *from file*: the same reader used by hand: the file read and cut at its Event
  headers, and the games' headers taken as the dictionaries that it gives;
- *survey*: ``pawnlore survey`` from the file to finished Parquet files, with no
  skeleton known at the start;
- *known*: the same once more, with all of these skeletons known: what a collection
  comes near to whose games bring hardly any new ones.

Without ``--source`` the games are generated (`generated_games`): after their
opening they go on at random. Real games are longer and bring more new skeletons,
so that they are the harder measure; how many are new is said,
because the rate hangs on it. ``--growth`` takes collections of growing size,
``--workers`` compares two worker processes with one by the clock. The status is
1 where a ratio is below what is wanted.
"""

from __future__ import annotations

import argparse
import os
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

os.environ["OPENBLAS_NUM_THREADS"] = "1"
os.environ["OMP_NUM_THREADS"] = "1"
os.environ["NUMBA_NUM_THREADS"] = "1"

import chess.pgn
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))

from generated_games import write_games

RESULTS = Path(__file__).resolve().parent / "results" / "survey.md"
PLAIN, READER, WORKERS = 300.0, 0.5, 1.6
PLAIN_GAMES = 40
PIECE = 2 << 20
"""Text that the reader alone is given at a time."""


def cpu(work: Callable[[], Any]) -> tuple[float, Any]:
    """CPU seconds of this process, and what the work gave."""
    begun = time.process_time()
    told = work()
    return time.process_time() - begun, told


def plain_script(path: Path) -> tuple[Callable[[], int], int]:
    """The script that somebody would write first."""
    from sklearn.exceptions import ConvergenceWarning
    from sklearn.linear_model import LogisticRegression

    from pawnlore.models.classifier import shipped_classifier
    from pawnlore.models.sampling import game_skeletons

    def row(white: int, black: int) -> Any:
        octets = np.array([[white, black]], dtype=np.uint64).view(np.uint8)
        return np.unpackbits(octets, axis=1, bitorder="little").astype(float)

    masks = game_skeletons().masks[:4000]
    classes = len(shipped_classifier().classes)
    with warnings.catch_warnings():
        # What it has learnt does not matter to how long it takes.
        warnings.simplefilter("ignore", ConvergenceWarning)
        rows = np.concatenate([row(*pair) for pair in masks.tolist()])
        model = LogisticRegression(max_iter=2).fit(rows, np.arange(4000) % classes)

    def run() -> int:
        count = 0
        with path.open(encoding="utf-8", errors="replace") as stream:
            for _ in range(PLAIN_GAMES):
                game = chess.pgn.read_game(stream)
                if game is None:
                    break
                board = game.board()
                for move in game.mainline_moves():
                    board.push(move)
                    white, black = (board.pawns & board.occupied_co[c] for c in (True, False))
                    model.predict_proba(row(white, black))
                    count += 1
        return count

    return run, classes


def reader_alone(path: Path, piece: int) -> Callable[[], int]:
    """The compiled reader on texts in memory, so many bytes of them at a time."""
    import pyarrow as pa
    import rust_pgn_reader_python_binding as library

    from pawnlore.service.survey.read_games import find_games

    text = path.read_bytes()
    begins = find_games(text, (), final=True).scanned.begins
    batches, first = [], 0
    while first < begins.shape[0] - 1:
        last = int(np.searchsorted(begins, begins[first] + piece))
        last = max(first + 1, min(last, begins.shape[0] - 1))
        offsets = (begins[first : last + 1] - begins[first]).astype(np.int32)
        data = text[begins[first] : begins[last]]
        batches.append(
            pa.chunked_array(
                [
                    pa.StringArray.from_buffers(
                        last - first, pa.py_buffer(offsets), pa.py_buffer(data)
                    )
                ]
            )
        )
        first = last

    def run() -> int:
        return sum(library.parse_games(batch, num_threads=1).num_moves for batch in batches)

    return run


def reader_from_file(path: Path) -> Callable[[], int]:
    """The compiled reader as somebody would use it, on a file."""
    import rust_pgn_reader_python_binding as library

    def run() -> int:
        count, rest = 0, ""
        with path.open(encoding="utf-8", errors="replace") as stream:
            while True:
                text = stream.read(2 << 20)
                # Each piece but the last is a whole game, without its first word.
                games = (rest + text).removeprefix("[Event ").split("\n[Event ")
                rest = "[Event " + games.pop() if text else ""
                if games:
                    games = ["[Event " + game for game in games]
                    for chunk in library.parse_games_from_strings(games, num_threads=1).chunks:
                        count += chunk.num_moves
                        assert len(chunk.headers) == chunk.num_games
                if not text:
                    return count

    return run


def whole_survey(
    path: Path, folder: Path, *, known: bool = False
) -> Callable[[], tuple[int, int, int, int]]:
    """The survey itself: half-moves, games, skeletons that were new, bytes written."""
    from pawnlore.service.survey import run_survey
    from pawnlore.service.survey.run_survey import Options, survey

    def run() -> tuple[int, int, int, int]:
        if not known:
            run_survey._verdicts.clear()
        out = folder / "out"
        shutil.rmtree(out, ignore_errors=True)
        told = survey([str(path)], str(out), Options(jobs=1))
        (verdicts,) = run_survey._verdicts.values()
        account = told.account
        plies = account.positions - account.seen
        return plies, account.games, verdicts.judged, sum(told.sizes.values())

    return run


def measure(source: Path | None, games: int, branches: int, repeats: int) -> tuple[list[str], bool]:
    """The rates in turns; lines that tell, and whether all is as wanted."""
    from pawnlore.service.survey.fast_reader import READ_BYTES

    lines = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        path, small = folder / "games.pgn", folder / "small.pgn"
        write_games(small, 50, seed=9)
        if source is None:
            write_games(path, games, branches=branches)
        else:
            first_games(source, games, path)
        whole_survey(small, folder)()  # compiles, or loads what was compiled
        plain, classes = plain_script(path)
        reader, pieces = reader_alone(path, PIECE), reader_alone(path, READ_BYTES)
        survey = whole_survey(path, folder)
        rates: dict[str, list[float]] = {
            "plain": [],
            "reader": [],
            "reader in small pieces": [],
            "from file": [],
            "survey": [],
            "known": [],
        }
        again = whole_survey(path, folder, known=True)
        by_hand = reader_from_file(path)
        counts = (0, 0, 0, 0)
        for _ in range(repeats):
            seconds, count = cpu(plain)
            rates["plain"].append(count / seconds)
            seconds, count = cpu(reader)
            rates["reader"].append(count / seconds)
            seconds, count = cpu(pieces)
            rates["reader in small pieces"].append(count / seconds)
            seconds, count = cpu(by_hand)
            rates["from file"].append(count / seconds)
            seconds, counts = cpu(survey)
            rates["survey"].append(counts[0] / seconds)
            seconds, same = cpu(again)
            rates["known"].append(same[0] / seconds)
    plies, kept, new, size = counts
    lines.append(
        f"{kept:,} games, {plies:,} half-moves; "
        f"{new / kept:.1f} new skeletons a game; {size / kept:.0f} bytes a game written; "
        f"{classes} classes; load {os.getloadavg()[0]:.1f}"
    )
    for name, found in rates.items():
        lines.append(f"{name}: {statistics.median(found):,.0f} half-moves a CPU second")
    good = True
    compared = (
        ("survey", "from file", READER),
        ("survey", "plain", PLAIN),
        ("survey", "reader", READER),
        ("survey", "reader in small pieces", READER),
        ("known", "reader", READER),
    )
    for ours, name, wanted in compared:
        ratios = [s / o for s, o in zip(rates[ours], rates[name], strict=True)]
        ratio = statistics.median(ratios)
        kept_it = ratio >= wanted
        good = good and (kept_it or (ours, name) not in (("survey", "plain"), ("survey", "reader")))
        lines.append(
            f"{ours} / {name}: {ratio:.2f} ({min(ratios):.2f} to {max(ratios):.2f}; "
            f"at least {wanted:g}): {'kept' if kept_it else 'NOT KEPT'}"
        )
    return lines, good


_ONE = """
import resource, sys, time
from pawnlore.service.survey.run_survey import Options, survey
# What is loaded or compiled at the first game is no part of what a game costs.
survey([sys.argv[1]], sys.argv[-2] + "-first", Options())
begun, used = time.perf_counter(), time.process_time()
told = survey(sys.argv[2:-2], sys.argv[-2], Options(jobs=int(sys.argv[-1]),
    shard_bytes=8 << 20))
print(time.perf_counter() - begun, time.process_time() - used,
      resource.getrusage(resource.RUSAGE_SELF).ru_maxrss, told.account.games,
      told.account.positions, sum(told.sizes.values()))
"""


def one_run(paths: list[Path], jobs: int) -> tuple[float, float, int, int, int, int]:
    """Clock and CPU seconds, KiB at the peak, games, positions and bytes of a survey alone."""
    with tempfile.TemporaryDirectory() as folder:
        out, first = Path(folder, "out"), Path(folder, "first.pgn")
        write_games(first, 20, seed=9)
        names = [str(first), *(str(path) for path in paths)]
        ran = subprocess.run(
            [sys.executable, "-c", _ONE, *names, str(out), str(jobs)],
            capture_output=True,
            text=True,
            check=True,
        )
    clock, used, peak, games, positions, size = ran.stdout.split()
    return float(clock), float(used), int(peak), int(games), int(positions), int(size)


def first_games(source: Path, count: int, out: Path) -> None:
    """The first games of a collection; where it has fewer, again with other rounds."""
    made = turn = 0
    with out.open("wb") as stream:
        while made < count:
            with source.open("rb") as lines:
                for line in lines:
                    if line.startswith(b"[Event "):
                        if made == count:
                            return
                        made += 1
                    elif turn and line.startswith(b"[Round "):
                        line = b'[Round "%d.%d"]\n' % (turn, made)
                    stream.write(line)
            turn += 1


def growth(sizes: list[int], source: Path | None, branches: int) -> list[str]:
    """How time and memory grow with the number of games."""
    rows = [
        "| games | half-moves | CPU seconds | µs a game | half-moves a CPU second | peak MiB "
        "| bytes a game |",
        "|---|---|---|---|---|---|---|",
    ]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        if source is None:
            source = folder / "source.pgn"
            write_games(source, min(max(sizes), 100_000), branches=branches)
        for size in sizes:
            path = folder / "games.pgn"
            first_games(source, size, path)
            _, used, peak, games, positions, written = one_run([path], 1)
            plies = positions - games
            rows.append(
                f"| {games:,} | {plies:,} | {used:.1f} | {used / games * 1e6:.0f} | "
                f"{plies / used:,.0f} | {peak / 1024:.0f} | {written / games:.0f} |"
            )
            print(rows[-1], flush=True)
    return rows


def workers(source: Path | None, games: int, branches: int) -> tuple[list[str], bool]:
    """Two worker processes against one, by the clock."""
    with tempfile.TemporaryDirectory() as name:
        path = Path(name, "games.pgn")
        if source is None:
            write_games(path, games, branches=branches)
        else:
            first_games(source, games, path)
        rates = []
        for _ in range(3):
            one, two = one_run([path], 1)[0], one_run([path], 2)[0]
            rates.append(one / two)
    ratio = statistics.median(rates)
    good = ratio >= WORKERS
    line = (
        f"two worker processes / one: {ratio:.2f} ({min(rates):.2f} to {max(rates):.2f}; at least "
        f"{WORKERS}) on {games:,} games, load {os.getloadavg()[0]:.1f}: "
        f"{'kept' if good else 'NOT KEPT'}"
    )
    return [line], good


def main() -> int:
    """Measure, print, and compare with what is wanted."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--games", type=int, default=20_000)
    parser.add_argument("--branches", type=int, default=10)
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--growth", type=int, nargs="+", metavar="GAMES")
    parser.add_argument("--workers", action="store_true")
    parser.add_argument("--source", type=Path, help="a collection to take the games from")
    parser.add_argument("--write", action="store_true", help="add what was found to the results")
    args = parser.parse_args()
    good = True
    if args.growth:
        lines = growth(args.growth, args.source, args.branches)
    elif args.workers:
        lines, good = workers(args.source, args.games, args.branches)
        print("\n".join(lines))
    else:
        lines, good = measure(args.source, args.games, args.branches, args.repeats)
        print("\n".join(lines))
    print(f"peak of this process: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024} MiB")
    if args.write:
        with RESULTS.open("a", encoding="utf-8") as stream:
            stream.write("\n" + "\n".join(lines) + "\n")
    return int(not good)


if __name__ == "__main__":
    sys.exit(main())
