"""The numbers that the README tells are those of the code."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from pawnlore.service.position_lines import LINE_LIMIT
from pawnlore.service.repertoire_upload import MOST_FILES
from pawnlore.service.settings import ServiceLimits
from pawnlore.service.store import survey_shelf
from pawnlore.structures.catalogue import shipped_catalogue
from pawnlore.structures.pgn_limits import Limits

README = (Path(__file__).resolve().parent.parent / "README.md").read_text(encoding="utf-8")
MEBI = 1024 * 1024
LIMITS = Limits()
SERVICE = ServiceLimits()


@pytest.mark.parametrize(
    ("row", "value"),
    [
        ("one line of a PGN file", f"{LIMITS.line // MEBI} Mi characters"),
        ("one comment", f"{LIMITS.comment // MEBI} Mi characters"),
        ("variations nested in one another", f"{LIMITS.depth:,}"),
        ("headers of one game", f"{LIMITS.headers:,}"),
        ("nodes of one game", f"{LIMITS.game_nodes:,}"),
        ("nodes of one run", f"{LIMITS.nodes:,}"),
        ("problems that are told in words", f"{LIMITS.problems:,}"),
        ("one line of `classify`", f"{LINE_LIMIT:,} bytes"),
        ("body of one request", f"{SERVICE.body_bytes // MEBI} Mi bytes"),
        ("nodes of one repertoire in the store", f"{SERVICE.nodes:,}"),
        ("files of one repertoire in the store", f"{MOST_FILES:,}"),
        (
            "PGN of one repertoire in the store, and body of one upload",
            f"{SERVICE.pgn_bytes // MEBI} Mi bytes",
        ),
        ("rows on one structure in a table of a kept survey", f"{survey_shelf.MOST_ROWS:,}"),
        ("rows of a table beside a repertoire", f"{survey_shelf.MOST_BESIDE_ROWS:,}"),
        ("tables of one kept survey", f"{survey_shelf.MOST_BYTES // MEBI} Mi bytes"),
        ("surveys in the store", f"{survey_shelf.MOST_SURVEYS}"),
        ("values in one JSON body", f"{SERVICE.json_values:,}"),
        ("lists and objects inside one another in JSON", f"{SERVICE.json_depth}"),
        ("time for one request to arrive", f"{SERVICE.seconds:.0f} seconds"),
        ("time to work on one request", f"{SERVICE.work_seconds:.0f} seconds"),
    ],
)
def test_a_limit_is_documented(row: str, value: str) -> None:
    assert re.search(rf"^\| {re.escape(row)}[^|]*\| {re.escape(value)} \|$", README, re.M)


def test_the_number_of_families_is_documented() -> None:
    assert f"It knows {len(shipped_catalogue())} families" in README
