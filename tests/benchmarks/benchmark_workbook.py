"""How long an author's workbook takes: reading, groups and what is owed, in one process.

    python tests/benchmarks/benchmark_workbook.py [--nodes 100000] [--repeats 3]
    python tests/benchmarks/benchmark_workbook.py --growth 1000 10000 100000 1000000

The first compares it with python-chess alone reading the same file; the status
is 1 where the ratio is above what the project promises. The second prints how
the cost grows with the nodes, and with ``--write`` keeps the table in
``results/workbook.md``. Each measurement is a process of its own, interpreter
and imports and all, in CPU seconds; the programs take turns, and medians count.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))

from benchmark_tagging import PYTHON_CHESS, cpu_seconds
from generated_repertoire import write_repertoire

WORKBOOK = """
import sys
from importlib.resources import as_file, files
from pawnlore.models.classifier import shipped_classifier
from pawnlore.service.notes_folder import read_notes_folder
from pawnlore.service.workbook import make_workbook
from pawnlore.structures.owed import owed
from pawnlore.structures.pgn_reader import read_repertoire
from pawnlore.structures.repertoire_side import given_side

with as_file(files("pawnlore.labelled_demo").joinpath("notes")) as folder:
    notes = read_notes_folder(folder).notes
book = read_repertoire([sys.argv[1]], with_keys=True)
# The moves of a generated repertoire are random on both sides, so no side can be
# inferred. A named side has more to compute: breaks, contradictions, stops.
side = given_side(book, "white")
work = make_workbook(book, shipped_classifier().classify, side)
debts = owed(book, work.verdicts, work.paths, work.groups, work.side, notes)
assert len(work.groups) and len(debts)
"""
PROMISE = 1.6
"""CPU time of the workbook as a multiple of python-chess's reading, at most."""
RESULTS = Path(__file__).resolve().parent / "results" / "workbook.md"


def ratio(nodes: int, repeats: int) -> float:
    """The median ratio to python-chess on a repertoire of so many nodes."""
    found = []
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "repertoire.pgn")
        write_repertoire(path, nodes)
        for turn in range(repeats):
            alone, _ = cpu_seconds(PYTHON_CHESS, str(path))
            whole, peak = cpu_seconds(WORKBOOK, str(path))
            found.append(whole / alone)
            print(
                f"turn {turn + 1}: python-chess {alone:.2f} s; workbook {whole:.2f} s, "
                f"{found[-1]:.2f} times, peak {peak:.0f} MiB"
            )
    return statistics.median(found)


def growth(sizes: list[int], repeats: int) -> list[str]:
    """A table of the cost by size, as ratios.

    What each further node costs is the difference to the next smaller size, so
    that the interpreter's start and the imports fall out. It is given as a
    multiple of what a further node costs python-chess there, and of what it
    costs the workbook at the first step.
    """
    rows = [
        "| nodes | workbook / python-chess | a further node / python-chess's "
        "| a further node / that of the first step |",
        "|---:|---:|---:|---:|",
    ]
    before: tuple[int, float, float] | None = None
    first = 0.0
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "repertoire.pgn")
        for size in sizes:
            write_repertoire(path, size)
            # The times of small ones are short, so they take turns more often.
            turns = repeats if size >= 100_000 else 4 * repeats
            pairs = [
                (cpu_seconds(PYTHON_CHESS, str(path))[0], cpu_seconds(WORKBOOK, str(path))[0])
                for _ in range(turns)
            ]
            whole = statistics.median(ours / alone for alone, ours in pairs)
            alone = statistics.median(alone for alone, _ in pairs)
            ours = statistics.median(ours for _, ours in pairs)
            cells = [f"{size:,}", f"{whole:.2f}", "–", "–"]
            if before is not None:
                each = (ours - before[2]) / (size - before[0])
                first = first or each
                cells[2] = f"{each / ((alone - before[1]) / (size - before[0])):.2f}"
                cells[3] = f"{each / first:.2f}"
            before = size, alone, ours
            rows.append(f"| {' | '.join(cells)} |")
            print(f"{rows[-1]}  ({alone:.2f} s, {ours:.2f} s)", flush=True)
    return rows


def main() -> int:
    """Measure, print, and compare with the promise."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--nodes", type=int, default=100_000)
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--growth", type=int, nargs="+", metavar="NODES")
    parser.add_argument("--write", action="store_true", help="with --growth: keep the table")
    args = parser.parse_args()
    if args.growth:
        rows = growth(sorted(args.growth), args.repeats)
        if args.write:
            RESULTS.parent.mkdir(exist_ok=True)
            RESULTS.write_text(_page(rows), encoding="utf-8")
        return 0
    median = ratio(args.nodes, args.repeats)
    kept = median <= PROMISE
    print(
        f"groups and what is owed: {median:.2f} times python-chess's reading "
        f"(promised: at most {PROMISE}): {'kept' if kept else 'NOT KEPT'}"
    )
    return int(not kept)


def _page(rows: list[str]) -> str:
    return (
        "# The workbook's cost by size\n\n"
        "Written by `benchmark_workbook.py --growth … --write`. CPU time of one process that "
        "reads a generated repertoire once, groups its lines and lists what is owed with the "
        "invented plan notes, beside python-chess alone reading the same file. At small sizes "
        "the start of the process is nearly all of it; the columns of a further node leave that "
        "out. Where they stay level, the cost is linear.\n\n" + "\n".join(rows) + "\n"
    )


if __name__ == "__main__":
    sys.exit(main())
