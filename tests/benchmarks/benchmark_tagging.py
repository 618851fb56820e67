"""How long tagging takes, against python-chess alone reading the same file.

    python tests/benchmarks/benchmark_tagging.py [--nodes 100000] [--repeats 5]

Each measurement is a process of its own: interpreter, imports and all, in CPU
seconds of user and system time. The programs take turns, so that a busy
machine slows all alike, and the medians of the ratios count. The status is 1
where a ratio is above what the project promises.
"""

from __future__ import annotations

import argparse
import gc
import os
import statistics
import subprocess
import sys
import tempfile
import tracemalloc
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))

from generated_repertoire import write_repertoire

from pawnlore.structures.pgn_reader import read_repertoire

PYTHON_CHESS = """
import sys, chess.pgn
with open(sys.argv[1], encoding="utf-8") as handle:
    while chess.pgn.read_game(handle):
        pass
"""
TAG = "import sys; from pawnlore.service.cli import main; sys.exit(main(sys.argv[1:]))"
PROMISES = {"csv": 1.3, "csv --fen": 2.5}
"""CPU time of ``pawnlore tag`` as a multiple of python-chess's, at most."""


def cpu_seconds(code: str, *arguments: str) -> tuple[float, float]:
    """CPU seconds and the peak of memory in MiB of a Python process."""
    process = subprocess.Popen([sys.executable, "-c", code, *arguments])
    _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise SystemExit(f"a measured process failed with status {process.returncode}")
    return usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024


def measure(path: Path, out: Path, repeats: int) -> dict[str, list[float]]:
    """Ratios to python-chess, by output format."""
    ratios: dict[str, list[float]] = {form: [] for form in PROMISES}
    for turn in range(repeats):
        alone, alone_peak = cpu_seconds(PYTHON_CHESS, str(path))
        print(f"turn {turn + 1}: python-chess {alone:.2f} s, peak {alone_peak:.0f} MiB")
        for form, found in ratios.items():
            seconds, peak = cpu_seconds(
                TAG, "tag", str(path), "-o", str(out), "--format", *form.split()
            )
            found.append(seconds / alone)
            print(f"  tag {form}: {seconds:.2f} s, {found[-1]:.2f} times, peak {peak:.0f} MiB")
    return ratios


def bytes_a_node(small: Path, large: Path) -> float:
    """State a node: how much more a repertoire of more nodes holds, comments and all."""
    held, nodes = [], []
    for path in (small, large):
        gc.collect()
        tracemalloc.start()
        book = read_repertoire([path])
        gc.collect()
        held.append(tracemalloc.get_traced_memory()[0])
        tracemalloc.stop()
        nodes.append(len(book))
        del book
    return (held[1] - held[0]) / (nodes[1] - nodes[0])


def main() -> int:
    """Measure, print, and compare with the promises."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--nodes", type=int, default=100_000)
    parser.add_argument("--repeats", type=int, default=5)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path, small = Path(folder, "repertoire.pgn"), Path(folder, "small.pgn")
        write_repertoire(path, args.nodes)
        write_repertoire(small, args.nodes // 4)
        ratios = measure(path, Path(folder, "out.csv"), args.repeats)
        state = bytes_a_node(small, path)
    worst = 0
    print(f"state: {state:.0f} bytes a node, with comments and glyphs")
    for form, promise in PROMISES.items():
        median = statistics.median(ratios[form])
        kept = median <= promise
        worst |= not kept
        print(
            f"tag {form}: {median:.2f} times python-chess's reading "
            f"(promised: at most {promise}): {'kept' if kept else 'NOT KEPT'}"
        )
    return int(worst)


if __name__ == "__main__":
    sys.exit(main())
