"""What the pages of a large repertoire cost, against those of a small one.

    python tests/benchmarks/benchmark_pages.py [--nodes 1000 100000] [--repeats 15] [--write]

Every page is asked for as a browser does, of a generated repertoire of each
size, after the repertoire was opened once. Told are the bytes of its HTML, the
statements that it sends to the database, and the processor time of the answer
against the same page of the smallest repertoire, in the same run. The status is
1 where a page is larger, asks the database more often or costs more than
wanted. Groups are the largest ones, and positions stand in the middle of their
longest lines, so that pages of both sizes are full.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parent))

from generated_repertoire import write_repertoire
from sqlalchemy import event

BYTES = 100_000
"""What a page's HTML may take."""
STATEMENTS = 12
"""Statements that a page may send to the database."""
RATIO = 3.0
"""How much more than that of the smallest repertoire a page of the largest may cost."""
RESULTS = Path(__file__).parent / "results" / "pages.md"

PAGES = {
    "list of repertoires": "/repertoires",
    "middlegame types": "/repertoires/{id}",
    "middlegame types, to teach": "/repertoires/{id}?order=teach",
    "middlegame types, last page": "/repertoires/{id}?page=9999",
    "one chapter’s types": "/repertoires/{id}?chapter={chapter}",
    "a group": "/repertoires/{id}/groups/{structure}/{holder}",
    "a group, its last lines": "/repertoires/{id}/groups/{structure}/{holder}?page=9999",
    "a line’s board": "/repertoires/{id}/nodes/{node}",
    "the position after move one": "/repertoires/{id}/nodes/{first}",
    "its first position, looked up": "/look-up?repertoire={id}",
    "a position after two moves, looked up": "/look-up?repertoire={id}&moves=d4+d5+c4+e6",
    "a structure of its, looked up": (
        "/look-up?repertoire={id}&fen=rnbqkb1r/pp3ppp/2p2n2/3p4/3P4/2N1P3/PP3PPP/R1BQKBNR+b+KQkq+-"
    ),
    "what is owed": "/repertoires/{id}/owed",
    "what is owed, last page": "/repertoires/{id}/owed?page=9999",
    "what one chapter owes": "/repertoires/{id}/owed?chapter={chapter}",
    "move orders": "/repertoires/{id}/move-order",
    "reminders and warnings": "/repertoires/{id}/reminders",
    "load by chapter": "/repertoires/{id}/load",
    "load by middlegame type": "/repertoires/{id}/load?kind=types",
    "load where there is a choice": "/repertoires/{id}/load?kind=choices",
    "a structure in the catalogue": "/structures/carlsbad",
    "what changed": "/repertoires/{id}/changes",
    "what could not be read": "/repertoires/{id}/problems",
    "name, new version": "/repertoires/{id}/manage",
    "as files": "/repertoires/{id}/files",
}
"""The pages, by name: their address with what stands for a repertoire's own parts."""


@dataclass
class Cost:
    """What one page costs: bytes, statements, processor seconds."""

    size: int
    statements: int
    seconds: float


def main() -> int:
    """Measure, print, and compare with what is wanted."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--nodes", type=int, nargs="+", default=[1_000, 100_000])
    parser.add_argument("--repeats", type=int, default=15)
    parser.add_argument("--write", action="store_true", help=f"keep the table in {RESULTS.name}")
    args = parser.parse_args()
    sizes = sorted(args.nodes)
    costs: dict[int, dict[str, Cost]] = {}
    opened: dict[int, float] = {}
    with tempfile.TemporaryDirectory() as folder, service(Path(folder)) as app:
        ids = {nodes: uploaded(app, Path(folder), nodes) for nodes in sizes}
        for nodes, id in ids.items():
            places, opened[nodes] = places_of(app, id)
            costs[nodes] = {
                name: cost(app, address.format(**places), args.repeats)
                for name, address in PAGES.items()
            }
    lines = list(table(costs, opened))
    print("\n".join(lines))
    if args.write:
        RESULTS.write_text("\n".join([*HEAD, *lines, ""]), encoding="utf-8")
    good = kept(costs)
    print(
        f"at most {BYTES:,} bytes, {STATEMENTS} statements and {RATIO:g} times the cost: "
        f"{'kept' if good else 'NOT KEPT'}"
    )
    return int(not good)


@contextmanager
def service(folder: Path) -> Iterator[Any]:
    """An application on an empty store in a folder."""
    from pawnlore.models.classifier import shipped_classifier
    from pawnlore.service.api.repertoires_at_hand import repertoires
    from pawnlore.service.app import create_app
    from pawnlore.service.settings import Settings, database_url
    from pawnlore.service.store.store import open_store

    settings = Settings(home=folder, database=database_url(folder, {}))
    store = open_store(settings.database)
    app = create_app(settings, store, shipped_classifier())
    yield app
    with app.app_context():
        repertoires().runner.wait()
    store.close()


def uploaded(app: Any, folder: Path, nodes: int) -> str:
    """The id of a repertoire of some size, uploaded twice so that there are changes."""
    from pawnlore.service.api.repertoires_at_hand import repertoires

    client = app.test_client()
    place, method, result = "/api/repertoires", "POST", {}
    for seed in (1, 2):
        pgn = folder / f"{nodes}-{seed}.pgn"
        write_repertoire(pgn, nodes, seed=seed)
        body = b"1. e4 Nonsense *\n\n" * 50 + pgn.read_bytes()
        answer = client.open(place, method=method, data=body, content_type="text/plain")
        with app.app_context():
            repertoires().runner.wait()
        result = client.get(answer.headers["Location"]).json["result"]
        place, method = f"/api/repertoires/{result['repertoire']}/pgn", "PUT"
    return str(result["repertoire"])


def places_of(app: Any, id: str) -> tuple[dict[str, Any], float]:
    """What stands in the addresses of a repertoire's pages, and how long it took to open it."""
    from pawnlore.service.api.repertoires_at_hand import repertoires

    client, headers = app.test_client(), {"Accept": "text/html"}
    client.get(f"/repertoires/{id}", headers=headers)
    with app.app_context():
        desk = repertoires().desk
        # Templates and the like are there now; only the repertoire is opened again.
        desk.forget()
        begun = time.process_time()
        client.get(f"/repertoires/{id}", headers=headers)
        seconds = time.process_time() - begun
        work = desk.open(id).work
    book, group = work.book, work.groups.groups[0]
    leaf = max(group.lines, key=lambda one: book.ply[one])
    line = book.line(leaf)
    return {
        "id": id,
        "structure": group.structure,
        "holder": group.holder,
        "chapter": book.games[0].chapter,
        "node": line[len(line) // 2],
        "first": line[1],
    }, seconds


def cost(app: Any, address: str, repeats: int) -> Cost:
    """What one page costs, the median of some answers."""
    client, headers = app.test_client(), {"Accept": "text/html"}
    answer = client.get(address, headers=headers)
    if answer.status_code != 200:
        raise SystemExit(f"{address}: {answer.status_code}\n{answer.text[:500]}")
    with counted(app) as statements:
        client.get(address, headers=headers)
    taken = []
    for _ in range(repeats):
        begun = time.process_time()
        client.get(address, headers=headers)
        taken.append(time.process_time() - begun)
    return Cost(len(answer.data), len(statements), statistics.median(taken))


@contextmanager
def counted(app: Any) -> Iterator[list[str]]:
    """The statements that are sent to the database meanwhile."""
    from pawnlore.service.running import parts_of

    engine, sent = parts_of(app).store.engine, list[str]()

    def note(connection: Any, cursor: Any, statement: str, *rest: Any) -> None:
        sent.append(statement)

    event.listen(engine, "before_cursor_execute", note)
    try:
        yield sent
    finally:
        event.remove(engine, "before_cursor_execute", note)


HEAD = [
    "# What pages cost by the size of a repertoire",
    "",
    "Written by `benchmark_pages.py --write`. Bytes of HTML and statements sent to the database, "
    "after the repertoire was opened once; cost is the processor time of the answer against that "
    "of the same page of the smallest repertoire, in one run.",
    "",
]


def table(costs: dict[int, dict[str, Cost]], opened: dict[int, float]) -> Iterator[str]:
    """The figures, as a table in Markdown."""
    sizes = list(costs)
    head = [f"{nodes:,} nodes: bytes | statements" for nodes in sizes]
    yield "| page | " + " | ".join(head) + " | cost |"
    yield "|---|" + "---:|" * (2 * len(sizes) + 1)
    for name in PAGES:
        row = [costs[nodes][name] for nodes in sizes]
        cells = [f"{one.size:,} | {one.statements}" for one in row]
        yield f"| {name} | {' | '.join(cells)} | {row[-1].seconds / row[0].seconds:.1f} |"
    yield ""
    ratio = opened[sizes[-1]] / opened[sizes[0]]
    yield (
        f"Opening the largest, which is done once and then kept in memory, cost {ratio:.0f} times "
        f"what opening the smallest did, for {sizes[-1] // sizes[0]} times the nodes."
    )


def kept(costs: dict[int, dict[str, Cost]]) -> bool:
    """Whether all pages are as wanted."""
    first, last = min(costs), max(costs)
    return all(
        one.size <= BYTES
        and one.statements <= STATEMENTS
        and one.seconds <= RATIO * costs[first][name].seconds
        for name, one in costs[last].items()
    )


if __name__ == "__main__":
    sys.exit(main())
