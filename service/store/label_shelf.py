"""The shelf of the author's own labels: one verdict for each skeleton, and what it was before."""

from __future__ import annotations

import builtins
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, delete, func, insert, select, update

from pawnlore.service.store.errors import NotFound, Refused, StoreError
from pawnlore.service.store.schema import FormerLabelRow, LabelRow
from pawnlore.service.store.skeleton_key import skeleton_key
from pawnlore.service.store.store import Store, count_up
from pawnlore.service.store.values import any_text, one_line
from pawnlore.structures.catalogue import UNSETTLED
from pawnlore.structures.verdict import SWAPPED

REASON_LENGTH = 10_000
"""Characters in the reason of a label."""


@dataclass(frozen=True, slots=True)
class StoredLabel:
    """A label as it stands in the store.

    ``skeleton`` is White's and Black's mask of the canonical one of the
    skeleton and its mirror, and ``holder`` is that one's. ``fen`` is the
    position as the author gave it. ``revision`` counts from 1.
    """

    id: str
    number: int
    skeleton: tuple[int, int]
    structure: str
    holder: str
    fen: str
    reason: str
    author: str
    revision: int
    created: datetime
    changed: datetime


@dataclass(frozen=True, slots=True)
class FormerLabel:
    """What a label said until it was replaced, or taken away.

    ``number`` counts all former labels, ``label`` is as it stood. ``ended`` and
    ``ended_by`` tell when and by whom.
    """

    number: int
    label: StoredLabel
    replaced: bool
    ended: datetime
    ended_by: str


@dataclass(frozen=True, slots=True)
class GivenLabel:
    """A label to be kept, with the holder of the skeleton as it is given."""

    skeleton: tuple[int, int]
    structure: str
    holder: str
    fen: str = ""
    reason: str = ""
    author: str = ""


class StaleLabel(StoreError):
    """Somebody else changed the label in between; ``current`` is what stands now."""

    def __init__(self, current: StoredLabel) -> None:
        self.current = current
        super().__init__(
            f"the label was changed in between: it is at revision {current.revision} now"
        )


class LabelShelf:
    """The labels of a store."""

    def __init__(self, store: Store) -> None:
        self.store = store

    def state(self) -> int:
        """A number that is another one after every change of any label."""
        return self.store.counter("labels")

    def list(self, *, after: int = 0, limit: int | None = None) -> builtins.list[StoredLabel]:
        """Labels in the order in which they came; ``after`` is the last number before."""
        query = _labels().where(LabelRow.number > after).order_by(LabelRow.number)
        if limit is not None:
            query = query.limit(limit)
        with self.store.reading() as connection:
            return [_label(row) for row in connection.execute(query)]

    def get(self, id: str) -> StoredLabel:
        """One label; raises `NotFound`."""
        with self.store.reading() as connection:
            return _get(connection, id)

    def of(self, skeleton: tuple[int, int]) -> StoredLabel | None:
        """The label on a skeleton or on its mirror, if there is one."""
        key, _ = skeleton_key(skeleton)
        with self.store.reading() as connection:
            row = connection.execute(_labels().where(LabelRow.skeleton == key)).one_or_none()
        return None if row is None else _label(row)

    def put(
        self,
        skeleton: tuple[int, int],
        structure: str,
        holder: str,
        *,
        fen: str = "",
        reason: str = "",
        author: str = "",
        expected_revision: int | None = None,
    ) -> StoredLabel:
        """Label a skeleton, or label it anew.

        ``holder`` is that of the skeleton as it is given. ``expected_revision``
        is the revision to replace, none for whatever is there, 0 for there
        being none. Raises `StaleLabel` and `Refused`.
        """
        structure = one_line(structure, "the structure")
        _check_holder(structure, holder)
        key, swapped = skeleton_key(skeleton)
        values: dict[str, Any] = {
            "structure": structure,
            "holder": SWAPPED[holder] if swapped else holder,
            "fen": one_line(fen, "the position", needed=False),
            "reason": any_text(reason, "the reason", REASON_LENGTH),
            "author": one_line(author, "the author's name", needed=False),
            "changed": self.store.clock(),
        }
        with self.store.writing() as connection:
            row = connection.execute(_labels().where(LabelRow.skeleton == key)).one_or_none()
            current = None if row is None else _label(row)
            if current is None:
                if expected_revision:
                    raise NotFound("the label is not there any more")
                id = self.store.new_id()
                connection.execute(
                    insert(LabelRow).values(
                        **values, id=id, skeleton=key, revision=1, created=values["changed"]
                    )
                )
            else:
                id = current.id
                if expected_revision not in (None, current.revision):
                    raise StaleLabel(current)
                if _says_else(row, values):
                    _keep_former(connection, [row], values["changed"], values["author"])
                done = connection.execute(
                    update(LabelRow)
                    .where(LabelRow.id == id, LabelRow.revision == current.revision)
                    .values(**values, revision=current.revision + 1)
                )
                if done.rowcount != 1:
                    raise StaleLabel(_get(connection, id))
            count_up(connection, "labels")
            return _get(connection, id)

    def put_all(self, labels: Sequence[GivenLabel], *, author: str = "") -> tuple[int, int]:
        """Keep many labels, all or none; gives how many were new and how many were changed.

        What the changed ones said is kept among the former labels.
        A label that stands already as it is given stays as it is. Where a
        skeleton comes twice the last one counts. Raises `Refused`.
        """
        author = one_line(author, "the author's name", needed=False)
        given: dict[str, dict[str, Any]] = {}
        for label in labels:
            key, swapped = skeleton_key(label.skeleton)
            structure = one_line(label.structure, "the structure")
            _check_holder(structure, label.holder)
            given[key] = {
                "structure": structure,
                "holder": SWAPPED[label.holder] if swapped else label.holder,
                "fen": one_line(label.fen, "the position", needed=False),
                "reason": any_text(label.reason, "the reason", REASON_LENGTH),
                "author": one_line(label.author, "the author's name", needed=False) or author,
            }
        now = self.store.clock()
        with self.store.writing() as connection:
            count_up(connection, "labels")
            standing = {
                row.skeleton: row for row in connection.execute(_labels().order_by(LabelRow.number))
            }
            new = []
            replaced = []
            for key, values in given.items():
                row = standing.get(key)
                if row is None:
                    new.append(
                        {
                            **values,
                            "id": self.store.new_id(),
                            "skeleton": key,
                            "revision": 1,
                            "created": now,
                            "changed": now,
                        }
                    )
                elif _says_else(row, values):
                    replaced.append(row)
                    connection.execute(
                        update(LabelRow)
                        .where(LabelRow.id == row.id)
                        .values(**values, revision=row.revision + 1, changed=now)
                    )
            if new:
                connection.execute(insert(LabelRow), new)
            _keep_former(connection, replaced, now, author)
        return len(new), len(replaced)

    def delete(self, id: str, *, author: str = "", expected_revision: int | None = None) -> None:
        """Take a label away; raises `NotFound` and `StaleLabel`.

        What it said is kept among the former labels.
        """
        author = one_line(author, "the author's name", needed=False)
        with self.store.writing() as connection:
            row = _row(connection, id)
            current = _label(row)
            if expected_revision not in (None, current.revision):
                raise StaleLabel(current)
            done = connection.execute(
                delete(LabelRow).where(
                    LabelRow.id == current.id, LabelRow.revision == current.revision
                )
            )
            if done.rowcount != 1:
                raise StaleLabel(_get(connection, id))
            _keep_former(connection, [row], self.store.clock(), author, replaced=False)
            count_up(connection, "labels")

    def former(
        self,
        *,
        skeleton: tuple[int, int] | None = None,
        before: int | None = None,
        limit: int | None = None,
    ) -> builtins.list[FormerLabel]:
        """What labels said before they were replaced or taken away, the latest first.

        With ``skeleton``, of that one and its mirror alone; ``before`` is the
        number from which on none is wanted.
        """
        query = _former().order_by(FormerLabelRow.number.desc())
        if skeleton is not None:
            query = query.where(FormerLabelRow.skeleton == skeleton_key(skeleton)[0])
        if before is not None:
            query = query.where(FormerLabelRow.number < before)
        if limit is not None:
            query = query.limit(limit)
        with self.store.reading() as connection:
            return [_former_label(row) for row in connection.execute(query)]

    def count_former(self) -> int:
        """How many former labels there are."""
        with self.store.reading() as connection:
            query = select(func.count()).select_from(FormerLabelRow)
            return int(connection.execute(query).scalar_one())


def _says_else(row: Any, values: dict[str, Any]) -> bool:
    """Whether a label would say something else, and not only be said once more."""
    return any(values[name] != getattr(row, name) for name in ("structure", "holder", "reason"))


def _keep_former(
    connection: Connection,
    rows: Sequence[Any],
    ended: datetime,
    ended_by: str,
    *,
    replaced: bool = True,
) -> None:
    """Keep what labels say that are about to be replaced or taken away."""
    kept = [
        {
            **{name: getattr(row, name) for name in _SAID},
            "label": row.id,
            "ended": ended,
            "ended_by": ended_by,
            "replaced": replaced,
        }
        for row in rows
    ]
    if kept:
        connection.execute(insert(FormerLabelRow), kept)


def _check_holder(structure: str, holder: str) -> None:
    if holder not in SWAPPED or (structure == UNSETTLED and holder != "both"):
        raise Refused("the holder must be white, black or both, and both where unsettled")


_SAID = (
    "skeleton",
    "structure",
    "holder",
    "fen",
    "reason",
    "author",
    "revision",
    "created",
    "changed",
)


def _former() -> Any:
    return select(
        *(getattr(FormerLabelRow, name) for name in ("number", "label", *_SAID)),
        FormerLabelRow.replaced,
        FormerLabelRow.ended,
        FormerLabelRow.ended_by,
    )


def _former_label(row: Any) -> FormerLabel:
    number, id, *said, replaced, ended, ended_by = row
    return FormerLabel(number, _label((id, 0, *said)), replaced, ended, ended_by)


def _labels() -> Any:
    return select(
        LabelRow.id,
        LabelRow.number,
        LabelRow.skeleton,
        LabelRow.structure,
        LabelRow.holder,
        LabelRow.fen,
        LabelRow.reason,
        LabelRow.author,
        LabelRow.revision,
        LabelRow.created,
        LabelRow.changed,
    )


def _label(row: Any) -> StoredLabel:
    id, number, key, *rest = row
    return StoredLabel(id, number, (int(key[:16], 16), int(key[16:], 16)), *rest)


def _get(connection: Connection, id: str) -> StoredLabel:
    return _label(_row(connection, id))


def _row(connection: Connection, id: str) -> Any:
    key = id.encode("utf-8", "replace").decode().replace("\0", "")[:40]
    row = connection.execute(_labels().where(LabelRow.id == key)).one_or_none()
    if row is None:
        raise NotFound("there is no such label")
    return row
