"""The shelf of surveys: their answers under a name, and what they are beside repertoires.

What is kept are the tables alone, so that reading them needs no more than the
store. Each table is bounded: of longer ones the rows with the most games are
kept, and it is said how many were left out.
"""

from __future__ import annotations

import builtins
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, delete, insert, select, update
from sqlalchemy.exc import IntegrityError

from pawnlore.service.store.errors import NotFound, Refused, StoreBusy
from pawnlore.service.store.schema import (
    RepertoireRow,
    SurveyBesideRow,
    SurveyBesideTableRow,
    SurveyRow,
    SurveyTableRow,
)
from pawnlore.service.store.store import Store, count_up
from pawnlore.service.store.values import one_line

Row = dict[str, Any]

WHOLE = "structures"
"""The table that is kept in one piece, with a row or two for every structure."""

BY_STRUCTURE = ("by_ply", "by_rating", "by_year", "by_opening", "breaks", "transitions")
"""The tables that are kept in a piece for each structure."""

TABLES = (WHOLE, *BY_STRUCTURE)
"""The tables of a survey."""

BESIDE_TABLES = (
    "groups",
    "chapters",
    "unanswered_structures",
    "unanswered_moves",
    "unplayed_lines",
)
"""The tables of a survey beside a repertoire."""

MOST_ROWS = 1_000
"""Rows of a table that tell of one structure, and rows of the whole table."""

MOST_BESIDE_ROWS = 5_000
"""Rows of a table beside a repertoire."""

MOST_BYTES = 64 << 20
"""Bytes of all tables of a survey together."""

MOST_SURVEYS = 200
"""Surveys of one store."""

LONGEST_WORDS, LONGEST_LINE = 200, 1_000
"""Characters that are kept of one value, such as an opening's name, and of a line of moves or a
list of chapters."""

_LONG = ("line", "chapters")


@dataclass(frozen=True, slots=True)
class KeptSurvey:
    """A survey as it stands in the store.

    ``described`` tells what was surveyed: ``inputs``, ``model``, ``positions``,
    ``skipped`` and so on. ``revision`` counts how often the name was used.
    """

    id: str
    number: int
    name: str
    games: int
    described: dict[str, Any]
    revision: int
    made: datetime


@dataclass(frozen=True, slots=True)
class KeptTable:
    """A table, or the part that was asked for; ``left_out`` are rows that were too many to keep."""

    rows: builtins.list[Row]
    left_out: int = 0


@dataclass(frozen=True, slots=True)
class KeptBeside:
    """A survey beside a repertoire, without its tables.

    ``followed`` of the ``games`` go with the repertoire's ``side``. It is out of
    date where ``current`` is false: the repertoire has another content or side by now.
    """

    survey: str
    survey_name: str
    repertoire: str
    repertoire_name: str
    version: int
    side: str
    games: int
    followed: int
    current: bool


@dataclass(frozen=True)
class Beside:
    """A survey beside a repertoire, to be kept; ``upload`` is the content that was looked at."""

    repertoire: str
    upload: str
    version: int
    side: str
    games: int
    followed: int
    tables: Mapping[str, Sequence[Row]] = field(repr=False)


class SurveyShelf:
    """The surveys of a store."""

    def __init__(self, store: Store) -> None:
        self.store = store

    def list(self, *, after: int = 0, limit: int | None = None) -> builtins.list[KeptSurvey]:
        """Surveys in the order in which they came; ``after`` is the last number before."""
        query = _surveys().where(SurveyRow.number > after).order_by(SurveyRow.number)
        if limit is not None:
            query = query.limit(limit)
        with self.store.reading() as connection:
            return [_survey(row) for row in connection.execute(query)]

    def newest(self) -> KeptSurvey | None:
        """The survey that was kept last, if there is any."""
        query = _surveys().order_by(SurveyRow.made.desc(), SurveyRow.number.desc()).limit(1)
        with self.store.reading() as connection:
            row = connection.execute(query).one_or_none()
        return None if row is None else _survey(row)

    def get(self, id: str) -> KeptSurvey:
        """One survey; raises `NotFound`."""
        with self.store.reading() as connection:
            return _get(connection, id)

    def named(self, name: str) -> KeptSurvey:
        """The survey of this name, or else of this id; raises `NotFound`."""
        with self.store.reading() as connection:
            row = connection.execute(_surveys().where(SurveyRow.name == _key(name))).one_or_none()
            return _get(connection, name) if row is None else _survey(row)

    def keep(
        self,
        name: str,
        games: int,
        described: Mapping[str, Any],
        tables: Mapping[str, Sequence[Row]],
        besides: Sequence[Beside] = (),
    ) -> KeptSurvey:
        """Keep the answers of a survey under a name, in the place of what was there under it.

        All of it is kept, or nothing. A survey that is replaced keeps its id.
        Raises `Refused` for a name or tables that cannot be kept, `NotFound`
        for a repertoire that is not there, and `StoreBusy` for one that got
        another content in the meantime.
        """
        name = one_line(name, "the survey's name")
        parts = _parts(tables)
        beside_parts = [(one, _beside_parts(one.tables)) for one in besides]
        told = json.dumps(dict(described), separators=(",", ":"))
        size = len(told) + sum(len(part["content"]) for part in parts)
        size += sum(len(part["content"]) for _, found in beside_parts for part in found)
        if size > MOST_BYTES:
            raise Refused(
                f"the survey's tables take {size >> 20:,} MiB; at most {MOST_BYTES >> 20} fit"
            )
        try:
            return self._keep(name, {"games": games, "described": told}, parts, beside_parts)
        except IntegrityError:
            # Somebody else took the name, or deleted a repertoire, at this very moment.
            raise StoreBusy("another program kept the same at the same time; try again") from None

    def _keep(
        self,
        name: str,
        values: Row,
        parts: Sequence[Row],
        beside_parts: Sequence[tuple[Beside, Sequence[Row]]],
    ) -> KeptSurvey:
        values = {**values, "made": self.store.clock()}
        with self.store.writing() as connection:
            old = connection.execute(_surveys().where(SurveyRow.name == name)).one_or_none()
            if old is None:
                id = self.store.new_id()
                count = len(connection.execute(select(SurveyRow.id)).all())
                if count >= MOST_SURVEYS:
                    raise Refused(f"there are {count} surveys, and that is the most; remove one")
                connection.execute(insert(SurveyRow).values(**values, id=id, name=name, revision=1))
            else:
                id = old.id
                connection.execute(
                    update(SurveyRow)
                    .where(SurveyRow.id == id)
                    .values(**values, revision=old.revision + 1)
                )
                connection.execute(delete(SurveyTableRow).where(SurveyTableRow.survey == id))
                connection.execute(delete(SurveyBesideRow).where(SurveyBesideRow.survey == id))
            for part in parts:
                connection.execute(insert(SurveyTableRow).values(survey=id, **part))
            for place, (one, found) in enumerate(beside_parts):
                _keep_beside(connection, id, place, one, found)
            count_up(connection, "surveys")
            return _get(connection, id)

    def delete(self, id: str) -> None:
        """Take a survey away with its tables; raises `NotFound`."""
        with self.store.writing() as connection:
            found = _get(connection, id)
            connection.execute(delete(SurveyRow).where(SurveyRow.id == found.id))
            count_up(connection, "surveys")

    def table(self, id: str, name: str, structure: str = "") -> KeptTable:
        """A table of a survey, or its rows on one structure.

        Empty where the survey tells nothing of that structure. Raises
        `NotFound` for a survey or table that is not there.
        """
        if name not in TABLES:
            raise NotFound(f"a survey has no table {name[:60]!r}; there are {', '.join(TABLES)}")
        query = (
            select(SurveyTableRow.content, SurveyTableRow.left_out)
            .where(SurveyTableRow.survey == _key(id)[:40], SurveyTableRow.name == name)
            .order_by(SurveyTableRow.place)
        )
        if structure and name != WHOLE:
            query = query.where(SurveyTableRow.structure == _key(structure))
        with self.store.reading() as connection:
            found = connection.execute(query).all()
            if not found:
                _get(connection, id)
        rows = [row for part in found for row in _rows(part.content)]
        if structure and name == WHOLE:
            rows = [row for row in rows if row["structure"] == structure]
        return KeptTable(rows, sum(part.left_out for part in found))

    def about(self, id: str, structure: str) -> dict[str, KeptTable]:
        """The rows of all tables of `BY_STRUCTURE` on one structure, in one reading."""
        query = select(SurveyTableRow.name, SurveyTableRow.content, SurveyTableRow.left_out).where(
            SurveyTableRow.survey == _key(id)[:40],
            SurveyTableRow.name.in_(BY_STRUCTURE),
            SurveyTableRow.structure == _key(structure),
        )
        found = {name: KeptTable([]) for name in BY_STRUCTURE}
        with self.store.reading() as connection:
            for part in connection.execute(query):
                found[part.name] = KeptTable(_rows(part.content), part.left_out)
        return found

    def sizes(self, id: str) -> dict[str, int]:
        """How many rows each table of a survey has; raises `NotFound`."""
        with self.store.reading() as connection:
            found = _get(connection, id)
            sizes = dict.fromkeys(TABLES, 0)
            query = select(SurveyTableRow.name, SurveyTableRow.rows)
            for name, rows in connection.execute(query.where(SurveyTableRow.survey == found.id)):
                sizes[name] += rows
        return sizes

    def besides(self, *, survey: str = "", repertoire: str = "") -> builtins.list[KeptBeside]:
        """Surveys beside repertoires, of one survey or repertoire, the newest survey first."""
        query = (
            select(
                SurveyBesideRow.survey,
                SurveyBesideRow.repertoire,
                SurveyBesideRow.upload,
                SurveyBesideRow.version,
                SurveyBesideRow.side,
                SurveyBesideRow.games,
                SurveyBesideRow.followed,
                SurveyRow.name.label("survey_name"),
                RepertoireRow.name.label("repertoire_name"),
                RepertoireRow.upload.label("now"),
                RepertoireRow.side.label("now_side"),
            )
            .join(SurveyRow, SurveyRow.id == SurveyBesideRow.survey)
            .join(RepertoireRow, RepertoireRow.id == SurveyBesideRow.repertoire)
            .order_by(SurveyRow.made.desc(), SurveyRow.number, SurveyBesideRow.place)
        )
        if survey:
            query = query.where(SurveyBesideRow.survey == _key(survey)[:40])
        if repertoire:
            query = query.where(SurveyBesideRow.repertoire == _key(repertoire)[:40])
        with self.store.reading() as connection:
            return [
                KeptBeside(
                    row.survey,
                    row.survey_name,
                    row.repertoire,
                    row.repertoire_name,
                    row.version,
                    row.side,
                    row.games,
                    row.followed,
                    row.upload == row.now and row.now_side in ("", row.side),
                )
                for row in connection.execute(query)
            ]

    def beside_table(self, survey: str, repertoire: str, name: str) -> KeptTable:
        """A table of a survey beside a repertoire; raises `NotFound`."""
        if name not in BESIDE_TABLES:
            raise NotFound(f"there is no table {name[:60]!r}; there are {', '.join(BESIDE_TABLES)}")
        query = select(SurveyBesideTableRow.content, SurveyBesideTableRow.left_out).where(
            SurveyBesideTableRow.survey == _key(survey)[:40],
            SurveyBesideTableRow.repertoire == _key(repertoire)[:40],
            SurveyBesideTableRow.name == name,
        )
        with self.store.reading() as connection:
            found = connection.execute(query).one_or_none()
            if found is None:
                _get(connection, survey)
                raise NotFound("this survey was not set beside that repertoire")
        return KeptTable(_rows(found.content), found.left_out)

    def beside_tables(self, survey: str, repertoire: str) -> dict[str, KeptTable]:
        """All tables of a survey beside a repertoire, in one reading; empty where it was not."""
        query = select(
            SurveyBesideTableRow.name, SurveyBesideTableRow.content, SurveyBesideTableRow.left_out
        ).where(
            SurveyBesideTableRow.survey == _key(survey)[:40],
            SurveyBesideTableRow.repertoire == _key(repertoire)[:40],
        )
        found = {name: KeptTable([]) for name in BESIDE_TABLES}
        with self.store.reading() as connection:
            for part in connection.execute(query):
                found[part.name] = KeptTable(_rows(part.content), part.left_out)
        return found


def _keep_beside(
    connection: Connection, survey: str, place: int, one: Beside, parts: Sequence[Row]
) -> None:
    query = select(RepertoireRow.upload).where(RepertoireRow.id == one.repertoire)
    upload = connection.execute(query).scalar_one_or_none()
    if upload is None:
        raise NotFound("there is no such repertoire")
    if upload != one.upload:
        raise StoreBusy("the repertoire was uploaded again in between; try again")
    connection.execute(
        insert(SurveyBesideRow).values(
            survey=survey,
            repertoire=one.repertoire,
            place=place,
            upload=one.upload,
            version=one.version,
            side=one.side,
            games=one.games,
            followed=one.followed,
        )
    )
    for part in parts:
        connection.execute(
            insert(SurveyBesideTableRow).values(survey=survey, repertoire=one.repertoire, **part)
        )


def _parts(tables: Mapping[str, Sequence[Row]]) -> builtins.list[Row]:
    """The rows of `SurveyTableRow`: a table in one piece, the others by structure."""
    missing = [name for name in TABLES if name not in tables]
    if missing:
        raise Refused(f"the answers lack {', '.join(missing)}")
    whole, left_out = _most(tables[WHOLE], MOST_ROWS)
    parts = [_part(WHOLE, whole, left_out, structure="", place=0)]
    # The structures that the games hold most often come first.
    order = {row["structure"]: None for row in whole}
    for name in BY_STRUCTURE:
        by: dict[str, builtins.list[Row]] = {structure: [] for structure in order}
        for row in tables[name]:
            by.setdefault(row["structure"], []).append(row)
        for place, (structure, rows) in enumerate(by.items()):
            if rows:
                kept, left_out = _most(rows, MOST_ROWS)
                parts.append(_part(name, kept, left_out, structure=structure[:200], place=place))
    return parts


def _beside_parts(tables: Mapping[str, Sequence[Row]]) -> builtins.list[Row]:
    return [_part(name, *_most(tables[name], MOST_BESIDE_ROWS)) for name in BESIDE_TABLES]


def _most(rows: Sequence[Row], most: int) -> tuple[Sequence[Row], int]:
    """The rows with the most games, as they stood, and how many are left out."""
    if len(rows) <= most:
        return rows, 0
    order = sorted(range(len(rows)), key=lambda place: -rows[place]["games"])
    return [rows[place] for place in sorted(order[:most])], len(rows) - most


def _part(name: str, rows: Sequence[Row], left_out: int, **where: Any) -> Row:
    columns = list(rows[0]) if rows else []
    told = {
        "columns": columns,
        "rows": [
            [
                _value(row[column], LONGEST_LINE if column in _LONG else LONGEST_WORDS)
                for column in columns
            ]
            for row in rows
        ],
    }
    # In ASCII, so that every database can hold any text.
    content = json.dumps(told, separators=(",", ":"), allow_nan=False)
    return {"name": name, **where, "rows": len(rows), "left_out": left_out, "content": content}


def _value(value: Any, most: int) -> Any:
    if isinstance(value, float):
        return None if math.isnan(value) else round(value, 6)
    if isinstance(value, str):
        return value if len(value) <= most else value[: most - 1] + "…"
    return value


def _rows(content: str) -> builtins.list[Row]:
    told = json.loads(content)
    columns = told["columns"]
    return [dict(zip(columns, row, strict=True)) for row in told["rows"]]


def _surveys() -> Any:
    return select(
        SurveyRow.id,
        SurveyRow.number,
        SurveyRow.name,
        SurveyRow.games,
        SurveyRow.described,
        SurveyRow.revision,
        SurveyRow.made,
    )


def _survey(row: Any) -> KeptSurvey:
    return KeptSurvey(
        row.id, row.number, row.name, row.games, json.loads(row.described), row.revision, row.made
    )


def _key(text: str) -> str:
    """A text that every database can be asked for."""
    return text.encode("utf-8", "replace").decode().replace("\0", "")[:200]


def _get(connection: Connection, id: str) -> KeptSurvey:
    row = connection.execute(_surveys().where(SurveyRow.id == _key(id)[:40])).one_or_none()
    if row is None:
        raise NotFound("there is no such survey")
    return _survey(row)
