"""The shelf of the author's own families: names, examples and corrections."""

from __future__ import annotations

import builtins
import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, delete, func, insert, select, update

from pawnlore.models.own_family import Corrections, FamilyError, check_id
from pawnlore.models.taught_classifier import MOST_OWN
from pawnlore.service.store.errors import NotFound, Refused, StoreError
from pawnlore.service.store.schema import FamilyExampleRow, OwnFamilyRow
from pawnlore.service.store.skeleton_key import skeleton_key, skeleton_of_key
from pawnlore.service.store.store import Store, count_up
from pawnlore.service.store.values import one_line
from pawnlore.structures.catalogue import shipped_catalogue
from pawnlore.structures.verdict import SWAPPED

MOST_EXAMPLES = 10_000
"""Examples and counter-examples of one family."""


@dataclass(frozen=True, slots=True)
class Example:
    """A position that belongs to a family, or does not.

    ``skeleton`` is the canonical one of it and its mirror and ``holder`` is that
    one's; ``fen`` is the position as the author gave it.
    """

    number: int
    skeleton: tuple[int, int]
    counter: bool
    holder: str
    fen: str
    author: str
    made: datetime


@dataclass(frozen=True, slots=True)
class StoredFamily:
    """A family as it stands in the store; ``revision`` counts from 1."""

    id: str
    number: int
    name: str
    parent: str
    must: tuple[str, ...]
    free: tuple[str, ...]
    revision: int
    author: str
    created: datetime
    changed: datetime
    examples: tuple[Example, ...]


@dataclass(frozen=True, slots=True)
class GivenExample:
    """A position to be kept: its skeleton as it stands there, whose the family is there."""

    skeleton: tuple[int, int]
    holder: str = "both"
    fen: str = ""
    counter: bool = False


class StaleFamily(StoreError):
    """Somebody else changed the family in between; ``current`` is what stands now."""

    def __init__(self, current: StoredFamily) -> None:
        self.current = current
        super().__init__(
            f"{current.id} was changed in between: it is at revision {current.revision} now; look "
            "at it and try again"
        )


class FamilyShelf:
    """The own families of a store."""

    def __init__(self, store: Store) -> None:
        self.store = store

    def state(self) -> int:
        """A number that is another one after every change of any family."""
        return self.store.counter("families")

    def list(self) -> builtins.list[StoredFamily]:
        """All families in the order in which they came."""
        with self.store.reading() as connection:
            examples: dict[str, builtins.list[Example]] = {}
            for row in connection.execute(_examples()):
                examples.setdefault(row.family, []).append(_example(row))
            rows = connection.execute(_families().order_by(OwnFamilyRow.number))
            return [_family(row, examples.get(row.id, ())) for row in rows]

    def names(self) -> dict[str, str]:
        """The names of all families by id, in the order in which they came."""
        with self.store.reading() as connection:
            rows = connection.execute(
                select(OwnFamilyRow.id, OwnFamilyRow.name).order_by(OwnFamilyRow.number)
            )
            return {row.id: row.name for row in rows}

    def parents(self) -> dict[str, str]:
        """The shipped families that families are finer ones of, by id, where one was named."""
        with self.store.reading() as connection:
            rows = connection.execute(
                select(OwnFamilyRow.id, OwnFamilyRow.parent).where(OwnFamilyRow.parent != "")
            )
            return {row.id: row.parent for row in rows}

    def get(self, id: str) -> StoredFamily:
        """One family; raises `NotFound`."""
        with self.store.reading() as connection:
            return _get(connection, id)

    def add(self, id: str, name: str, *, parent: str = "", author: str = "") -> StoredFamily:
        """A new family without examples; raises `Refused`."""
        try:
            id = check_id(id.strip())
        except FamilyError as error:
            raise Refused(str(error)) from None
        values = {
            "name": one_line(name or id.removeprefix("own/"), "the name"),
            "parent": _parent(parent),
            "author": one_line(author, "the author's name", needed=False),
        }
        now = self.store.clock()
        with self.store.writing() as connection:
            if _find(connection, id) is not None:
                raise Refused(f"there is a family {id} already")
            count = connection.execute(select(func.count()).select_from(OwnFamilyRow)).scalar_one()
            if count >= MOST_OWN:
                raise Refused(f"there are {count} families of your own, and that is the most")
            connection.execute(
                insert(OwnFamilyRow).values(
                    **values, id=id, must="[]", free="[]", revision=1, created=now, changed=now
                )
            )
            count_up(connection, "families")
            return _get(connection, id)

    def change(
        self,
        id: str,
        *,
        name: str | None = None,
        parent: str | None = None,
        must: Sequence[str] | None = None,
        free: Sequence[str] | None = None,
        expected_revision: int | None = None,
    ) -> StoredFamily:
        """Another name, parent or corrections; raises `NotFound`, `StaleFamily` and `Refused`."""
        values: dict[str, Any] = {}
        if name is not None:
            values["name"] = one_line(name, "the name")
        if parent is not None:
            values["parent"] = _parent(parent)
        try:
            Corrections(tuple(must or ()), tuple(free or ())).fixed()
        except FamilyError as error:
            raise Refused(str(error)) from None
        if must is not None:
            values["must"] = json.dumps(list(must))
        if free is not None:
            values["free"] = json.dumps(list(free))
        with self.store.writing() as connection:
            _step(self.store, connection, _get(connection, id), expected_revision, values)
            return _get(connection, id)

    def put_examples(
        self,
        id: str,
        examples: Sequence[GivenExample],
        *,
        author: str = "",
        expected_revision: int | None = None,
    ) -> StoredFamily:
        """Add examples; one on the same pawns is replaced. All of them are kept, or none.

        Raises `Refused` where two of them say different things of the same pawns.
        """
        author = one_line(author, "the author's name", needed=False)
        rows = [_row(example) for example in examples]
        said: dict[Any, dict[str, Any]] = {}
        for row in rows:
            other = said.setdefault(row["skeleton"], row)
            if (other["counter"], other["holder"]) != (row["counter"], row["holder"]):
                raise Refused(
                    f"{row['fen'] or 'a position'} has the same pawns as "
                    f"{other['fen'] or 'another'}, perhaps with colours reversed, but something "
                    "else is said of it; give it by itself, with whose it is there"
                )
        now = self.store.clock()
        with self.store.writing() as connection:
            current = _get(connection, id)
            new = {row["skeleton"] for row in rows}
            if len(new | {skeleton_key(e.skeleton)[0] for e in current.examples}) > MOST_EXAMPLES:
                raise Refused(f"a family has at most {MOST_EXAMPLES:,} examples")
            _step(self.store, connection, current, expected_revision, {})
            for row in rows:
                connection.execute(
                    delete(FamilyExampleRow).where(
                        FamilyExampleRow.family == current.id,
                        FamilyExampleRow.skeleton == row["skeleton"],
                    )
                )
                connection.execute(
                    insert(FamilyExampleRow).values(
                        **row, family=current.id, author=author, made=now
                    )
                )
            return _get(connection, id)

    def remove_example(
        self, id: str, skeleton: tuple[int, int], *, expected_revision: int | None = None
    ) -> StoredFamily:
        """Take an example or counter-example away; raises `NotFound` and `StaleFamily`."""
        key, _ = skeleton_key(skeleton)
        with self.store.writing() as connection:
            current = _get(connection, id)
            done = connection.execute(
                delete(FamilyExampleRow).where(
                    FamilyExampleRow.family == current.id, FamilyExampleRow.skeleton == key
                )
            )
            if not done.rowcount:
                raise NotFound(f"{current.id} has no example with these pawns")
            _step(self.store, connection, current, expected_revision, {})
            return _get(connection, id)

    def delete(self, id: str, *, expected_revision: int | None = None) -> None:
        """Take a family away with its examples; raises `NotFound` and `StaleFamily`."""
        with self.store.writing() as connection:
            current = _get(connection, id)
            if expected_revision not in (None, current.revision):
                raise StaleFamily(current)
            connection.execute(
                delete(FamilyExampleRow).where(FamilyExampleRow.family == current.id)
            )
            connection.execute(delete(OwnFamilyRow).where(OwnFamilyRow.id == current.id))
            count_up(connection, "families")


def _step(
    store: Store,
    connection: Connection,
    current: StoredFamily,
    expected: int | None,
    values: dict[str, Any],
) -> None:
    if expected not in (None, current.revision):
        raise StaleFamily(current)
    done = connection.execute(
        update(OwnFamilyRow)
        .where(OwnFamilyRow.id == current.id, OwnFamilyRow.revision == current.revision)
        .values(**values, revision=current.revision + 1, changed=store.clock())
    )
    if done.rowcount != 1:
        raise StaleFamily(_get(connection, current.id))
    count_up(connection, "families")


def _row(example: GivenExample) -> dict[str, Any]:
    if example.holder not in SWAPPED:
        raise Refused("the holder must be white, black or both")
    key, swapped = skeleton_key(example.skeleton)
    return {
        "skeleton": key,
        "counter": example.counter,
        "holder": SWAPPED[example.holder] if swapped else example.holder,
        "fen": one_line(example.fen, "the position", needed=False),
    }


def _parent(parent: str) -> str:
    parent = one_line(parent, "the parent", needed=False)
    if parent and parent not in shipped_catalogue().ids:
        raise Refused(f"{parent!r} is no shipped family, so it cannot be a parent")
    return parent


def _families() -> Any:
    return select(
        OwnFamilyRow.id,
        OwnFamilyRow.number,
        OwnFamilyRow.name,
        OwnFamilyRow.parent,
        OwnFamilyRow.must,
        OwnFamilyRow.free,
        OwnFamilyRow.revision,
        OwnFamilyRow.author,
        OwnFamilyRow.created,
        OwnFamilyRow.changed,
    )


def _examples() -> Any:
    return select(
        FamilyExampleRow.family,
        FamilyExampleRow.number,
        FamilyExampleRow.skeleton,
        FamilyExampleRow.counter,
        FamilyExampleRow.holder,
        FamilyExampleRow.fen,
        FamilyExampleRow.author,
        FamilyExampleRow.made,
    ).order_by(FamilyExampleRow.number)


def _find(connection: Connection, id: str) -> Any:
    key = id.encode("utf-8", "replace").decode().replace("\0", "")[:80]
    return connection.execute(_families().where(OwnFamilyRow.id == key)).one_or_none()


def _get(connection: Connection, id: str) -> StoredFamily:
    row = _find(connection, id)
    if row is None:
        raise NotFound(f"there is no family {id[:80]!r} of your own")
    rows = connection.execute(_examples().where(FamilyExampleRow.family == row.id))
    return _family(row, map(_example, rows))


def _example(row: Any) -> Example:
    return Example(
        row.number,
        skeleton_of_key(row.skeleton),
        row.counter,
        row.holder,
        row.fen,
        row.author,
        row.made,
    )


def _family(row: Any, examples: Iterable[Example]) -> StoredFamily:
    values = dict(row._mapping)
    values["must"] = tuple(json.loads(values["must"]))
    values["free"] = tuple(json.loads(values["free"]))
    return StoredFamily(**values, examples=tuple(examples))
