"""The campaign that kills a writing program, five times here, and what it would find."""

from __future__ import annotations

import copy
import sys
from pathlib import Path

import pytest

from pawnlore.service.store.backup import back_up, restore
from pawnlore.service.store.store import open_store

sys.path.insert(0, str(Path(__file__).parents[2] / "campaigns"))

import kill_store

pytestmark = pytest.mark.slow

LOSSES = (
    "UPDATE notes SET text = 'x'",
    "DELETE FROM note_revisions WHERE revision = 1",
    "UPDATE notes SET deleted = NULL WHERE deleted IS NOT NULL",
    "UPDATE pieces SET content = '' WHERE kind = 'file'",
    "UPDATE uploads SET nodes = 1",
    "UPDATE uploads SET version = 0",
    "DELETE FROM repertoires",
)
"""What would be found, each on its own."""


def test_nothing_is_lost_when_a_writing_program_is_killed(url: str, tmp_path: Path) -> None:
    account = kill_store.campaign(url, kills=5, seed=7)
    assert account.faults == []
    assert account.kills == 5
    # Else nothing was tried, or nothing would be found.
    assert account.writes > 5 and account.in_the_middle > 0
    store = open_store(url)
    back_up(store, tmp_path / "before.zip")
    for loss in LOSSES:
        if ("pieces" in loss or "rep" in loss or "uploads" in loss) and not account.repertoires:
            continue
        if "deleted" in loss and not account.deleted:
            continue
        with store.writing() as connection:
            connection.exec_driver_sql(loss)
        assert kill_store.look(url, copy.deepcopy(account)), loss
        restore(store, tmp_path / "before.zip")
    store.close()
    assert kill_store.look(url, account) == []
