"""The campaign that kills the served process, ten times here, and what it would find."""

from __future__ import annotations

import copy
import sys
from pathlib import Path

import pytest

from pawnlore.service.store.backup import back_up, restore
from pawnlore.service.store.store import open_store

sys.path.insert(0, str(Path(__file__).parents[2] / "campaigns"))

import kill_service

pytestmark = pytest.mark.slow

KILLS = {"sqlite": 6, "postgresql": 4}

LOSSES = (
    "UPDATE notes SET text = 'x'",
    "DELETE FROM note_revisions WHERE revision = 1",
    "UPDATE notes SET deleted = '2024-02-29T12:00:00.000000Z' WHERE deleted IS NULL",
    "UPDATE pieces SET content = '' WHERE kind = 'file'",
    "UPDATE uploads SET nodes = 1",
    "UPDATE uploads SET version = 1000",
    "DELETE FROM repertoires",
)
"""What would be found, each on its own."""


def test_nothing_is_lost_when_the_service_is_killed(kind: str, url: str, tmp_path: Path) -> None:
    account = kill_service.campaign(url, str(tmp_path), KILLS[kind], seed=9)
    assert account.faults == []
    assert account.kills == KILLS[kind]
    # Else nothing was tried, or nothing would be found.
    assert account.writes > 5 and account.in_the_middle > 0
    assert account.uploads > 0 and any(not book.deleted for book in account.books.values())
    store = open_store(url)
    back_up(store, tmp_path / "before.zip")
    for loss in LOSSES:
        with store.writing() as connection:
            connection.exec_driver_sql(loss)
        store.close()  # it gives back its connections
        assert kill_service.look(url, copy.deepcopy(account)), loss
        restore(store, tmp_path / "before.zip")
    left = copy.deepcopy(account)
    next(iter(left.jobs.values())).done = False
    with store.writing() as connection:
        connection.exec_driver_sql("DELETE FROM jobs")
    store.close()
    assert kill_service.look(url, left), "a lost job"
    restore(store, tmp_path / "before.zip")
    store.close()
    assert kill_service.look(url, account) == []
