"""How many lookups a second the service answers, against an empty JSON route of the same server.

    python tests/benchmarks/benchmark_lookups.py [--requests 400] [--repeats 15] [--write]

A lookup is ``GET /api/plans``: classify the position, and find the plan notes
that apply, of 500 in the store. The server is the one that ``pawnlore serve``
starts, in a process of its own, with the command's number of threads; the
empty route is a view of the same application that answers ``{}``. Both are
asked over the same connections, in turns, and the medians count.

The positions are those of a study session: lines of one generated course of
5,000 nodes are played through from the first move, one line after the other,
chosen at random, so that some of them come up again. The service begins knowing
none of them; how often it knew the pawns already is said, because that is what
the rate hangs on. ``--write`` keeps the figures in results/lookups.md. The
status is 1 where the ratio is below what is wanted.
"""

from __future__ import annotations

import argparse
import random
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from urllib.parse import quote

sys.path.insert(0, str(Path(__file__).resolve().parent))

from generated_repertoire import write_repertoire
from kept_result import keep_result, machine_load

WANTED = 0.4
NOTES = 500
NODES = 5_000
CONNECTIONS = 4
_CONDITIONS = (
    "",
    'when = { queens = "on" }\n',
    'when = { castling = "not-yet" }\n',
    "when = { moves = [6, 25] }\n",
    'when = { file = ["c half-open white"] }\n',
    'when = { bishops = ["white light"], queens = "on" }\n',
)


def write_notes(folder: str) -> None:
    """Put the notes into the store, spread over all families, sides and kinds of conditions."""
    from pawnlore.service.store.note_shelf import NoteShelf
    from pawnlore.service.store.store import open_store
    from pawnlore.structures.catalogue import shipped_catalogue

    store = open_store(f"sqlite:///{folder}/pawnlore.sqlite")
    shelf, families = NoteShelf(store), shipped_catalogue().families
    for number in range(NOTES):
        family = families[number % len(families)]
        turn = number // len(families)
        holder = "any" if family.shared else ("any", "white", "black")[turn % 3]
        condition = _CONDITIONS[turn % len(_CONDITIONS)]
        shelf.create(
            f'+++\nstructure = "{family.id}"\nholder = "{holder}"\n'
            f'side = "{("holder", "foe")[turn % 2]}"\ntitle = "Plan {number}"\n{condition}+++\n\n'
            "Put a rook behind the **break** before it is played.\n\n- First the knight.\n"
            "- Then the pawn.\n",
            author="benchmark",
        )
    store.close()


def serve(folder: str) -> int:
    """Serve until standard input ends; says the port, and at the end who knew how much."""
    from pawnlore.models.classifier import shipped_classifier
    from pawnlore.service.api.answers import json_answer
    from pawnlore.service.api.lookups import lookups
    from pawnlore.service.app import create_app
    from pawnlore.service.commands.serve import THREADS
    from pawnlore.service.logs import start_logs
    from pawnlore.service.running import parts_of
    from pawnlore.service.settings import Settings
    from pawnlore.service.store.store import open_store
    from pawnlore.service.web_server import WebServer

    database = f"sqlite:///{folder}/pawnlore.sqlite"
    settings = Settings(Path(folder), database, port=0)
    store = open_store(database)
    start_logs()
    app = create_app(settings, store, shipped_classifier())
    app.add_url_rule("/api/empty", "empty", lambda: json_answer({}))
    server = WebServer(app, settings, threads=THREADS)

    def obey() -> None:
        for line in sys.stdin:
            if line.strip() == "memory":
                with app.app_context():
                    memory = lookups().memory
                print(memory.hits, memory.asked, time.process_time(), flush=True)
        server.stop()

    threading.Thread(target=obey, daemon=True).start()
    print(server.addresses[0].rsplit(":", 1)[1].strip("/"), flush=True)
    server.run(parts_of(app).stopping.set)
    return 0


class Served:
    """The serving process."""

    def __init__(self, folder: str, log: Path) -> None:
        with log.open("wb") as stream:
            self.process = subprocess.Popen(
                [sys.executable, __file__, "--serve", folder],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=stream,
                text=True,
            )
        assert self.process.stdout is not None
        self.port = int(self.process.stdout.readline())

    def memory(self) -> tuple[int, int, float]:
        """How often the memory of verdicts knew, was asked, and the CPU seconds so far."""
        assert self.process.stdin is not None and self.process.stdout is not None
        self.process.stdin.write("memory\n")
        self.process.stdin.flush()
        hits, asked, seconds = self.process.stdout.readline().split()
        return int(hits), int(asked), float(seconds)

    def stop(self) -> None:
        """End it."""
        assert self.process.stdin is not None
        self.process.stdin.close()
        self.process.wait(timeout=60)


class Client:
    """A few connections that ask one after the other; it does as little itself as it can."""

    def __init__(self, port: int) -> None:
        self.host = f"127.0.0.1:{port}"
        self.sockets = [socket.create_connection(("127.0.0.1", port)) for _ in range(CONNECTIONS)]

    def ask(self, paths: list[str]) -> float:
        """Ask for all of them, a share on each connection; seconds."""
        shares = [paths[number::CONNECTIONS] for number in range(CONNECTIONS)]
        faults: list[str] = []
        begun = time.perf_counter()
        threads = [
            threading.Thread(target=self._share, args=(one, share, faults))
            for one, share in zip(self.sockets, shares, strict=True)
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        seconds = time.perf_counter() - begun
        if faults:
            raise SystemExit(f"the service did not answer as it should: {faults[0]}")
        return seconds

    def _share(self, one: socket.socket, paths: list[str], faults: list[str]) -> None:
        for path in paths:
            one.sendall(f"GET {path} HTTP/1.1\r\nHost: {self.host}\r\n\r\n".encode())
            answer = b""
            while b"\r\n\r\n" not in answer:
                answer += one.recv(65536)
            head, _, body = answer.partition(b"\r\n\r\n")
            length = int(head.lower().split(b"content-length:")[1].split(b"\r\n")[0])
            while len(body) < length:
                body += one.recv(65536)
            if not head.startswith(b"HTTP/1.1 200"):
                faults.append(f"{path}: {head[:40]!r}")
                return


class Session:
    """Positions as somebody studies them: line after line of one repertoire."""

    def __init__(self, folder: str, seed: int) -> None:
        from pawnlore.structures.pgn_reader import read_repertoire

        path = Path(folder, "repertoire.pgn")
        write_repertoire(path, NODES)
        self.book = read_repertoire([path], with_fen=True)
        self.leaves = self.book.leaves.tolist()
        self.dice = random.Random(seed)

    def paths(self, count: int) -> list[str]:
        """The next requests."""
        assert self.book.fens is not None
        found: list[str] = []
        while len(found) < count:
            line = self.book.line(self.dice.choice(self.leaves))
            found += [f"/api/plans?fen={quote(self.book.fens[node])}" for node in line]
        return found[:count]


def main() -> int:
    """Measure, print, and compare with what is wanted."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--requests", type=int, default=400)
    parser.add_argument("--repeats", type=int, default=15)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--write", action="store_true", help="keep the figures in results/")
    parser.add_argument("--serve", metavar="FOLDER", help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.serve:
        return serve(args.serve)
    with tempfile.TemporaryDirectory() as folder:
        write_notes(folder)
        session = Session(folder, args.seed)
        served = Served(folder, Path(folder, "log"))
        try:
            return measure(served, session, args.requests, args.repeats, write=args.write)
        finally:
            served.stop()


def measure(
    served: Served, session: Session, requests: int, repeats: int, *, write: bool = False
) -> int:
    """Ask for both in turns, print what was found, and give back the status."""
    load = machine_load()
    client = Client(served.port)
    empty = ["/api/empty"] * requests
    # What is loaded at the first request is no part of any rate.
    client.ask([*empty[:200], *session.paths(200)])
    ratios, rates, work = [], [], []
    before = served.memory()
    for _ in range(repeats):
        start = served.memory()[2]
        nothing = client.ask(empty)
        middle = served.memory()[2]
        lookup = client.ask(session.paths(requests))
        end = served.memory()[2]
        ratios.append(nothing / lookup)
        rates.append((requests / nothing, requests / lookup))
        work.append((middle - start) / (end - middle))
    after = served.memory()
    known = (after[0] - before[0]) / (after[1] - before[1])
    ratio = statistics.median(ratios)
    empty_rate = statistics.median(rate for rate, _ in rates)
    lookup_rate = statistics.median(rate for _, rate in rates)
    kept = "kept" if ratio >= WANTED else "NOT KEPT"
    lines = [
        f"{NOTES} notes, {repeats} times {requests:,} requests on {CONNECTIONS} connections; "
        f"{known:.1%} of the skeletons were known already (the hit rate)",
        f"empty route: {empty_rate:,.0f} a second; lookups: {lookup_rate:,.0f} a second",
        f"the server's CPU time, empty route / lookup: {statistics.median(work):.2f}",
        f"lookups / empty route: {ratio:.2f} "
        f"({min(ratios):.2f} to {max(ratios):.2f}; at least {WANTED}): {kept}",
    ]
    print("\n".join(lines))
    if write:
        keep_result(
            "lookups",
            "Lookups through the real server",
            "Written by `benchmark_lookups.py --write`. Classifying a position and finding its "
            "notes, against an empty JSON route of the same server in the same run.",
            lines,
            load,
        )
    return int(ratio < WANTED)


if __name__ == "__main__":
    sys.exit(main())
