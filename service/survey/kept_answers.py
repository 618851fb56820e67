"""Answers of a survey for the store: computed from its files, kept under a name.

Reading what is kept needs neither the survey's files nor the libraries that read
them: that is `pawnlore.service.store.survey_shelf`.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from pawnlore.service.repertoire_desk import RepertoireDesk
from pawnlore.service.store.repertoire_shelf import file_name
from pawnlore.service.store.survey_shelf import Beside
from pawnlore.service.survey.against import against
from pawnlore.service.survey.place import Place

MOST_INPUTS = 100
"""Files of a survey that are named; all are counted."""

_REASONS = 40


def description_to_keep(told: dict[str, Any]) -> dict[str, Any]:
    """What is kept of a survey's own description: files without their folders, and counts.

    >>> kept = description_to_keep({"inputs": [["/home/x/games.pgn.zst", 12, "1.0"]]})
    >>> kept["inputs"], kept["files"], kept["bytes"]
    (['games.pgn.zst'], 1, 12)
    """
    inputs, account = told.get("inputs", []), told.get("account", {})
    skipped = sorted(account.get("skipped", {}).items(), key=lambda item: (-item[1], item[0]))
    return {
        "inputs": [file_name(str(one[0])) for one in inputs[:MOST_INPUTS]],
        "files": len(inputs),
        "bytes": sum(int(one[1]) for one in inputs if isinstance(one[1], int)),
        "model": str(told.get("model", ""))[:64],
        "positions": account.get("positions", 0),
        "cut_short": account.get("cut_short", 0),
        "skipped": {str(reason)[:200]: count for reason, count in skipped[:_REASONS]},
        "unreadable_files": len(account.get("troubles", [])),
        "half_moves_kept": told.get("moves", 0),
    }


def set_beside(place: Place, desk: RepertoireDesk, ids: Sequence[str]) -> list[Beside]:
    """A survey beside repertoires of the store, as they are now.

    Raises `NotFound` of the store, and `NoSurvey` of `survey_parts`.
    """
    found = []
    for id in dict.fromkeys(ids):
        opened = desk.open(id)
        stored, work = opened.stored, opened.work
        told = against(place, work)
        found.append(
            Beside(
                stored.id,
                stored.upload,
                stored.version,
                work.side.side,
                told.games,
                told.followed,
                told.tables,
            )
        )
    return found
