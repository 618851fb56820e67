"""An upload outlives the ``pawnlore serve`` that took it: stopped or killed in its middle."""

from __future__ import annotations

import os
import signal
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "benchmarks"))
sys.path.insert(0, str(Path(__file__).parents[1] / "campaigns"))

from generated_repertoire import write_repertoire
from kill_service import Client, Service

from pawnlore.service.store.repertoire_shelf import RepertoireShelf
from pawnlore.service.store.store import open_store

pytestmark = pytest.mark.slow


@contextmanager
def served(home: Path) -> Iterator[Service]:
    service = Service(f"sqlite:///{home / 'store.sqlite'}", str(home))
    try:
        yield service
    finally:
        service.kill()


@pytest.mark.parametrize("end", [signal.SIGTERM, signal.SIGKILL])
def test_an_upload_is_done_by_the_next_service(tmp_path: Path, end: int) -> None:
    pgn = tmp_path / "large.pgn"
    write_repertoire(pgn, 25_000)
    raw = pgn.read_bytes()
    with served(tmp_path) as service:
        client = Client(service.port())
        kind = {"Content_Type": "application/vnd.chess-pgn"}
        status, begun, _ = client.ask("POST", "/api/repertoires?name=Large&file=l.pgn", raw, **kind)
        assert status == 202
        place = f"/api/jobs/{begun['job']['id']}"
        while (job := client.ask("GET", place)[1])["done"] == 0:
            assert job["state"] in ("waiting", "running")
        assert job["state"] == "running" and job["done"] < len(raw)
        client.connection.close()
        assert service.process.pid is not None
        os.kill(service.process.pid, end)
        service.process.join(30)
        assert service.process.exitcode == (0 if end == signal.SIGTERM else -end)
    store = open_store(f"sqlite:///{tmp_path / 'store.sqlite'}")
    # Nothing of it can be seen yet, and it is not lost.
    assert RepertoireShelf(store).list() == []
    with served(tmp_path) as service:
        client = Client(service.port())
        ends = time.monotonic() + 120
        while (job := client.ask("GET", place)[1])["state"] in ("waiting", "running"):
            assert time.monotonic() < ends
            time.sleep(0.05)
        assert job["state"] == "done", job
        # A stop that was asked for is no attempt that failed.
        assert job["attempts"] == (1 if end == signal.SIGTERM else 2)
    (kept,) = RepertoireShelf(store).list()
    assert kept.id == job["result"]["repertoire"]
    assert RepertoireShelf(store).files(kept.id) == [("l.pgn", raw)]
    store.close()
