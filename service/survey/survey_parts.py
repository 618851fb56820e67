"""A survey read back, part by part: what every answer is computed from.

The rows of a game stand in the part of the same name in all three tables, so
a part is all that has to be in memory at a time.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from pawnlore.service.survey.place import Place

UNKNOWN = "unknown"


class NoSurvey(Exception):
    """A folder that holds no finished survey; the message is for people."""


@dataclass(frozen=True)
class SurveyPart:
    """One part's tables, as Arrow. ``row`` finds a game's row by its number."""

    games: Any
    structures: Any
    breaks: Any

    @property
    def numbers(self) -> npt.NDArray[np.int64]:
        """The games' numbers (G,), as they stand."""
        return column(self.games, "game")

    def row(self, games: npt.NDArray[np.int64]) -> npt.NDArray[np.intp]:
        """The rows in ``games`` of these games."""
        numbers = self.numbers
        order = np.argsort(numbers, kind="stable")
        found: npt.NDArray[np.intp] = order[np.searchsorted(numbers[order], games)]
        return found

    def scores(self) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.bool_]]:
        """White's points (G,) and whether the game has a result."""
        result = np.array(words(self.games, "result"), dtype=object)
        points = np.where(result == "1-0", 1.0, np.where(result == "1/2-1/2", 0.5, 0.0))
        return points, result != "*"


def column(table: Any, name: str) -> npt.NDArray[Any]:
    """A column of numbers."""
    return table.column(name).to_numpy()  # type: ignore[no-any-return]


def words(table: Any, name: str) -> list[str | None]:
    """A column of words."""
    return table.column(name).to_pylist()  # type: ignore[no-any-return]


def description(place: Place) -> dict[str, Any]:
    """What the survey says of itself; raises `NoSurvey` where there is no finished one."""
    try:
        told = json.loads(place.read("survey.json"))
    except (OSError, ValueError, ImportError):
        raise NoSurvey(f"{place.address} holds no survey") from None
    if not isinstance(told, dict) or not told.get("finished"):
        raise NoSurvey(
            f"the survey in {place.address} is not finished; run its command again to go on with it"
        )
    return told


def survey_parts(place: Place) -> Iterator[SurveyPart]:
    """The parts of a finished survey; raises `NoSurvey`."""
    description(place)
    empty: dict[str, Any] = {}
    for name in place.names("games", ".parquet"):
        tables = {}
        for table in ("games", "structures", "breaks"):
            if place.exists(f"{table}/{name}"):
                tables[table] = _read(place, f"{table}/{name}")
                empty.setdefault(table, tables[table].slice(0, 0))
            elif table in empty:
                tables[table] = empty[table]
            else:
                tables[table] = _nothing(table)
        yield SurveyPart(tables["games"], tables["structures"], tables["breaks"])


def _read(place: Place, name: str) -> Any:
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        with place.open(name) as stream:
            return pq.read_table(stream)
    except (OSError, pa.ArrowException):
        raise NoSurvey(
            f"{name} of the survey in {place.address} is damaged or cannot be read; "
            "make the survey again"
        ) from None


def _nothing(table: str) -> Any:
    from pawnlore.service.survey.tables import Columns, schemas

    return schemas(Columns())[table].empty_table()
