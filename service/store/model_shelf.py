"""The shelf of taught models: every version, and which one is in use."""

from __future__ import annotations

import builtins
import json
from dataclasses import dataclass
from datetime import datetime
from hashlib import sha256
from typing import Any

from sqlalchemy import Connection, func, insert, select, update

from pawnlore.service.store.errors import NotFound, Refused, StoreError
from pawnlore.service.store.schema import ModelChoiceRow, ModelVersionRow
from pawnlore.service.store.store import Store, count_up
from pawnlore.service.store.values import one_line

SHIPPED = 0
"""The number of the model that ships, which is no version of the author's."""

STATES = ("proposed", "accepted", "rejected")


@dataclass(frozen=True, slots=True)
class ModelVersion:
    """One version. ``taught_from`` tells what it learnt from, ``figures`` what was measured."""

    number: int
    state: str
    digest: str
    base: str
    taught_from: dict[str, Any]
    figures: dict[str, Any]
    author: str
    made: datetime


@dataclass(frozen=True, slots=True)
class ModelChoice:
    """Which version is in use since when; ``number`` counts the choices, 0 before the first."""

    number: int
    version: int
    author: str
    made: datetime | None


class StaleChoice(StoreError):
    """Somebody else chose another version in between."""

    def __init__(self, current: ModelChoice) -> None:
        self.current = current
        named = f"version {current.version}" if current.version else "the shipped model"
        super().__init__(
            f"another choice was made in between: {named} is in use now; compare with that and "
            "choose again"
        )


class ModelShelf:
    """The versions of a store. None is ever changed or thrown away."""

    def __init__(self, store: Store) -> None:
        self.store = store

    def state(self) -> int:
        """A number that is another one after every choice or new version."""
        return self.store.counter("models")

    def list(self) -> builtins.list[ModelVersion]:
        """All versions without their figures, which `get` has; the oldest first."""
        query = select(*_FACTS).order_by(ModelVersionRow.number)
        with self.store.reading() as connection:
            return [_version(row) for row in connection.execute(query)]

    def get(self, number: int) -> ModelVersion:
        """One version; raises `NotFound`."""
        with self.store.reading() as connection:
            return _get(connection, number)

    def content(self, number: int) -> bytes:
        """The numbers of a version. Whoever reads them compares the digest."""
        with self.store.reading() as connection:
            found = connection.execute(
                select(ModelVersionRow.content).where(ModelVersionRow.number == _fitting(number))
            ).scalar()
        if found is None:
            raise NotFound(f"there is no version {number}")
        return bytes(found)

    def in_use(self) -> ModelChoice:
        """The choice that counts now."""
        with self.store.reading() as connection:
            return _choice(connection)

    def choices(self) -> builtins.list[ModelChoice]:
        """Every choice, the oldest first."""
        with self.store.reading() as connection:
            rows = connection.execute(_choices().order_by(ModelChoiceRow.number))
            return [ModelChoice(*row) for row in rows]

    def add(
        self,
        content: bytes,
        *,
        base: str,
        taught_from: dict[str, Any],
        figures: dict[str, Any],
        author: str = "",
    ) -> ModelVersion:
        """Keep a version as proposed."""
        author = one_line(author, "the author's name", needed=False)
        with self.store.writing() as connection:
            return self.add_within(
                connection,
                content,
                base=base,
                taught_from=taught_from,
                figures=figures,
                author=author,
            )

    def add_within(
        self,
        connection: Connection,
        content: bytes,
        *,
        base: str,
        taught_from: dict[str, Any],
        figures: dict[str, Any],
        author: str,
    ) -> ModelVersion:
        """The same, in a transaction that writes more."""
        done = connection.execute(
            insert(ModelVersionRow).values(
                state="proposed",
                digest=sha256(content).hexdigest(),
                content=content,
                base=base,
                taught_from=json.dumps(taught_from, sort_keys=True),
                figures=json.dumps(figures, sort_keys=True),
                author=author,
                made=self.store.clock(),
            )
        )
        count_up(connection, "models")
        assert done.inserted_primary_key is not None
        return _get(connection, int(done.inserted_primary_key[0]))

    def choose(
        self, version: int, *, author: str = "", expected_choice: int | None = None
    ) -> ModelChoice:
        """Use a version from now on, or with `SHIPPED` none.

        ``expected_choice`` is the number of the choice that is to be replaced.
        A proposed version is accepted by that; a rejected one too, for the
        author may come back to it. Raises `NotFound` and `StaleChoice`.
        """
        author = one_line(author, "the author's name", needed=False)
        with self.store.writing() as connection:
            # First, for it holds the counter's row: two who choose at once come one by one.
            count_up(connection, "models")
            if version != SHIPPED:
                _get(connection, version)
            current = _choice(connection)
            if expected_choice not in (None, current.number):
                raise StaleChoice(current)
            if version != SHIPPED:
                connection.execute(
                    update(ModelVersionRow)
                    .where(ModelVersionRow.number == version)
                    .values(state="accepted")
                )
            connection.execute(
                insert(ModelChoiceRow).values(
                    version=version, author=author, made=self.store.clock()
                )
            )
            return _choice(connection)

    def reject(self, version: int) -> ModelVersion:
        """Put a proposed version aside; raises `NotFound`, and `Refused` for an accepted one."""
        with self.store.writing() as connection:
            current = _get(connection, version)
            if current.state == "accepted":
                raise Refused(f"version {version} was accepted; return to another version instead")
            connection.execute(
                update(ModelVersionRow)
                .where(ModelVersionRow.number == current.number)
                .values(state="rejected")
            )
            count_up(connection, "models")
            return _get(connection, version)


_FACTS = (
    ModelVersionRow.number,
    ModelVersionRow.state,
    ModelVersionRow.digest,
    ModelVersionRow.base,
    ModelVersionRow.taught_from,
    ModelVersionRow.author,
    ModelVersionRow.made,
)


def _versions() -> Any:
    return select(*_FACTS, ModelVersionRow.figures)


def _choices() -> Any:
    return select(
        ModelChoiceRow.number, ModelChoiceRow.version, ModelChoiceRow.author, ModelChoiceRow.made
    )


def _choice(connection: Connection) -> ModelChoice:
    newest = select(func.max(ModelChoiceRow.number)).scalar_subquery()
    row = connection.execute(_choices().where(ModelChoiceRow.number == newest)).one_or_none()
    return ModelChoice(0, SHIPPED, "", None) if row is None else ModelChoice(*row)


def _version(row: Any) -> ModelVersion:
    values = dict(row._mapping)
    values["taught_from"] = json.loads(values["taught_from"])
    values["figures"] = json.loads(values.get("figures", "{}"))
    return ModelVersion(**values)


def _get(connection: Connection, number: int) -> ModelVersion:
    row = connection.execute(
        _versions().where(ModelVersionRow.number == _fitting(number))
    ).one_or_none()
    if row is None:
        raise NotFound(f"there is no version {number}")
    return _version(row)


def _fitting(number: int) -> int:
    return number if 0 < number < 1 << 31 else 0
