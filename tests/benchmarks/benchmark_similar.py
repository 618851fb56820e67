"""How long breaks and neighbours take, against python-chess reading the same file.

    python tests/benchmarks/benchmark_similar.py [--nodes 100000] [--repeats 5]

CPU seconds of one process, as shares of what python-chess alone takes to read
the repertoire in the same process. Questions and readings take turns, and the
medians count. The status is 1 where a share is above what is wanted.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import chess.pgn

sys.path.insert(0, str(Path(__file__).resolve().parent))

from generated_repertoire import write_repertoire

from pawnlore.models.classifier import shipped_classifier
from pawnlore.structures.breaks import break_tree, breaks_of
from pawnlore.structures.distinct_verdicts import distinct_verdicts
from pawnlore.structures.pgn_reader import read_repertoire
from pawnlore.structures.query_position import query_position
from pawnlore.structures.similar import SimilarIndex

ASKED = "r1bqrnk1/pp2bppp/2p2n2/3p2B1/3P4/2NBPN2/PPQ2PPP/1R3RK1 b - - 1 11"
WANTED = {
    "building the index": 0.05,
    "one question, mirrored": 0.005,
    "breaks of every node": 0.01,
    "the tree of breaks with counts": 0.1,
}
"""Shares of python-chess's reading time, at most."""


def cpu(work: Callable[[], object]) -> float:
    begun = time.process_time()
    work()
    return time.process_time() - begun


def read_with_python_chess(path: Path) -> None:
    with path.open(encoding="utf-8") as handle:
        while chess.pgn.read_game(handle):
            pass


def main() -> int:
    """Measure, print, and compare with what is wanted."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--nodes", type=int, default=100_000)
    parser.add_argument("--repeats", type=int, default=5)
    args = parser.parse_args()
    classify = shipped_classifier().classify
    query = query_position(ASKED)
    shares: dict[str, list[float]] = {name: [] for name in WANTED}
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "repertoire.pgn")
        write_repertoire(path, args.nodes)
        book = read_repertoire([path])
        verdicts = distinct_verdicts(book, classify)
        index = SimilarIndex(book)
        work: dict[str, Callable[[], object]] = {
            "building the index": lambda: SimilarIndex(book),
            "one question, mirrored": lambda: index.nearest(query.skeleton, mirrored=True),
            "breaks of every node": lambda: breaks_of(book.masks),
            "the tree of breaks with counts": lambda: break_tree(query, classify, book, verdicts),
        }
        for _ in range(args.repeats):
            alone = cpu(lambda: read_with_python_chess(path))
            for name, task in work.items():
                shares[name].append(cpu(task) / alone)
    print(f"{len(book):,} nodes, {len(index):,} different skeletons")
    worst = 0
    for name, wanted in WANTED.items():
        median = statistics.median(shares[name])
        worst |= median > wanted
        kept = "kept" if median <= wanted else "NOT KEPT"
        print(f"{name}: {median:.4f} of python-chess's reading (at most {wanted}): {kept}")
    return int(worst)


if __name__ == "__main__":
    sys.exit(main())
