"""What an upload does to those who study meanwhile: lookups while 100,000 nodes are read.

    python tests/benchmarks/benchmark_uploads.py [--nodes 100000] [--write]

One connection uploads a generated repertoire and asks for the job's progress;
another asks for one lookup after the other, before the upload and while it is
read, judged and kept. The rate of lookups meanwhile is a ratio to the rate
before it, in the same run. ``--write`` keeps the figures in results/uploads.md.
The status is 1 where a lookup fails, where the ratio or the progress is less
than wanted, or where something is lost.
"""

from __future__ import annotations

import argparse
import http.client
import json
import statistics
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parent))

from benchmark_lookups import NOTES, Served, Session, write_notes
from generated_repertoire import write_repertoire
from kept_result import keep_result, machine_load

WANTED = 0.1
"""The share of the lookups a second that is left while an upload is worked on, at least."""
STEPS = 5
"""Different states of the progress that are seen, at least."""


class Asker:
    """One connection that asks, and measures how long each answer takes."""

    def __init__(self, port: int) -> None:
        self.connection = http.client.HTTPConnection("127.0.0.1", port, timeout=60)

    def json(self, method: str, path: str, body: Any = None, kind: str = "") -> dict[str, Any]:
        headers = {"Content-Type": kind} if kind else {}
        self.connection.request(method, path, body, headers)
        answer = self.connection.getresponse()
        text = answer.read()
        if answer.status >= 300:
            raise SystemExit(f"{method} {path}: {answer.status} {text[:300]!r}")
        return dict(json.loads(text))

    def seconds(self, path: str) -> float:
        begun = time.perf_counter()
        self.json("GET", path)
        return time.perf_counter() - begun


def main() -> int:
    """Measure, print, and compare with what is wanted."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--nodes", type=int, default=100_000)
    parser.add_argument("--write", action="store_true", help="keep the figures in results/")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        write_notes(folder)
        session = Session(folder, 1)
        pgn = Path(folder, "large.pgn")
        write_repertoire(pgn, args.nodes, seed=2)
        served = Served(folder, Path(folder, "log"))
        try:
            return measure(served, session, pgn, args.nodes, write=args.write)
        finally:
            served.stop()


def measure(served: Served, session: Session, pgn: Path, nodes: int, *, write: bool = False) -> int:
    """Upload, look positions up meanwhile, and print what was found."""
    load, known = machine_load(), served.memory()
    student, author = Asker(served.port), Asker(served.port)
    paths = iter(session.paths(200_000))
    for _ in range(200):
        student.seconds(next(paths))
    before = [student.seconds(next(paths)) for _ in range(300)]

    size, begun = pgn.stat().st_size, time.perf_counter()
    with pgn.open("rb") as stream:
        job = author.json("POST", "/api/repertoires?name=Large", stream, "text/plain")["job"]
    taken = time.perf_counter() - begun
    meanwhile: list[float] = []
    seen: set[int] = set()
    place = f"/api/jobs/{job['id']}"
    while job["state"] in ("waiting", "running"):
        meanwhile += [student.seconds(next(paths)) for _ in range(5)]
        job = author.json("GET", place)
        seen.add(job["done"])
    whole = time.perf_counter() - begun
    if job["state"] != "done":
        raise SystemExit(f"the upload failed: {job['message']}")
    result = job["result"]
    ratio = statistics.mean(before) / statistics.mean(meanwhile)
    longest = max(meanwhile)
    good = ratio >= WANTED and len(seen) >= STEPS and result["nodes"] >= nodes
    after = served.memory()
    hits = (after[0] - known[0]) / (after[1] - known[1])
    lines = [
        f"{size / 1e6:.1f} MB with {result['nodes']:,} nodes, {NOTES} notes in the store",
        f"taken in {taken:.2f} s, there after {whole:.1f} s; {len(seen)} states of progress seen",
        f"{len(meanwhile):,} lookups meanwhile, all answered: median "
        f"{statistics.median(meanwhile) * 1000:.0f} ms, longest {longest * 1000:.0f} ms "
        f"(before: {statistics.median(before) * 1000:.0f} and {max(before) * 1000:.0f} ms)",
        f"{hits:.1%} of the skeletons that were looked up were known already (the hit rate)",
        f"rate of lookups meanwhile / before: {ratio:.2f} (at least {WANTED}): "
        f"{'kept' if good else 'NOT KEPT'}",
    ]
    print("\n".join(lines))
    if write:
        keep_result(
            "uploads",
            "Lookups while a large repertoire is uploaded",
            "Written by `benchmark_uploads.py --write`. One connection uploads, another looks "
            "positions up, before the upload and while it is read, judged and kept.",
            lines,
            load,
        )
    return int(not good)


if __name__ == "__main__":
    sys.exit(main())
