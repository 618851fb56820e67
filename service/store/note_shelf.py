"""The shelf of plan notes, with every revision of each."""

from __future__ import annotations

import builtins
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, delete, func, insert, select, update

from pawnlore.service.notes_folder import free_note_name, is_note_name
from pawnlore.service.store.errors import NotFound, Refused, Stale
from pawnlore.service.store.schema import NoteRevisionRow, NoteRow, SetAsideRow
from pawnlore.service.store.store import Store, count_up
from pawnlore.service.store.values import one_line
from pawnlore.structures.plan_note import NoteError, PlanNote, parse_note

SEARCH_LENGTH = 200
"""Characters in what is searched for."""

MOST_SET_ASIDE = 100
"""Texts that are set aside for one note; the oldest goes when one more comes."""


@dataclass(frozen=True, slots=True)
class StoredNote:
    """A note as it stands, or stood, in the store.

    ``number`` tells the order in which notes came, ``revision`` counts from 1.
    ``name`` is its file name. ``deleted`` is the moment when it was deleted.
    A note that is not ``published`` is the author's alone.
    """

    id: str
    number: int
    revision: int
    name: str
    text: str
    structure: str
    holder: str
    side: str
    title: str
    author: str
    published: bool
    created: datetime
    changed: datetime
    deleted: datetime | None = None

    def note(self, structures: Iterable[str] | None = None) -> PlanNote:
        """The note itself; raises `NoteError` where its family is known no more."""
        return parse_note(self.text, name=self.name, structures=structures)


@dataclass(frozen=True, slots=True)
class NoteRevision:
    """One revision; ``what`` is ``created``, ``changed``, ``deleted`` or ``restored``."""

    note: str
    revision: int
    what: str
    name: str
    text: str
    published: bool
    author: str
    made: datetime


@dataclass(frozen=True, slots=True)
class SetAsideText:
    """A text that was offered for a revision which was the newest no more."""

    note: str
    expected: int
    text: str
    author: str
    made: datetime


class NoteShelf:
    """The notes of a store.

    ``structures`` are the family ids that a note may name (`parse_note`); the
    shipped catalogue's by default.
    """

    def __init__(self, store: Store, *, structures: Iterable[str] | None = None) -> None:
        self.store = store
        self.structures = None if structures is None else tuple(structures)

    def state(self) -> int:
        """A number that is another one after every change of any note."""
        return self.store.counter("notes")

    def count(self, *, deleted: bool = False) -> int:
        """How many notes there are, or how many deleted ones."""
        with self.store.reading() as connection:
            return int(
                connection.execute(
                    select(func.count()).select_from(NoteRow).where(_is(deleted))
                ).scalar_one()
            )

    def list(
        self,
        *,
        search: str = "",
        structure: str = "",
        published: bool | None = None,
        deleted: bool = False,
        after: int = 0,
        limit: int | None = None,
    ) -> builtins.list[StoredNote]:
        """Notes in the order in which they came.

        ``search`` finds notes that hold all its words, in any case, anywhere in
        the text or the name. ``after`` is the `StoredNote.number` of the last
        one of the page before.
        """
        query = _notes().where(_is(deleted), NoteRow.number > after).order_by(NoteRow.number)
        if len(search) > SEARCH_LENGTH:
            raise Refused(f"at most {SEARCH_LENGTH} characters can be searched for")
        for word in search.casefold().replace("\0", " ").split():
            query = query.where(NoteRow.folded.contains(_holdable(word), autoescape=True))
        if structure:
            query = query.where(NoteRow.structure == _holdable(structure).replace("\0", ""))
        if published is not None:
            query = query.where(NoteRow.published == published)
        if limit is not None:
            query = query.limit(limit)
        with self.store.reading() as connection:
            return [StoredNote(*row) for row in connection.execute(query)]

    def structures_in_use(self) -> dict[str, int]:
        """How many notes there are on each structure that has any."""
        query = (
            select(NoteRow.structure, func.count())
            .where(_is(False))
            .group_by(NoteRow.structure)
            .order_by(NoteRow.structure)
        )
        with self.store.reading() as connection:
            return {str(name): int(count) for name, count in connection.execute(query)}

    def get(self, id: str, *, deleted: bool = False) -> StoredNote:
        """One note, a deleted one only where asked for; raises `NotFound`."""
        with self.store.reading() as connection:
            return _get(connection, id, deleted=deleted)

    def create(
        self, text: str, *, name: str = "", author: str = "", published: bool = True
    ) -> StoredNote:
        """Keep a new note.

        ``name`` is its file name; one that is no such name or is taken is
        replaced by one made from the title. Raises `NoteError`.
        """
        note = parse_note(text, structures=self.structures)
        author = one_line(author, "the author's name", needed=False)
        with self.store.writing() as connection:
            return self._create(connection, note, name, author, published, _taken(connection))

    def change(
        self,
        id: str,
        text: str,
        *,
        expected_revision: int,
        author: str = "",
        published: bool | None = None,
    ) -> StoredNote:
        """Give a note a new text, as its next revision.

        Raises `Stale` where the note is not at ``expected_revision`` any more;
        the text is then kept among those `set_aside`. Raises `NotFound` and
        `NoteError`.
        """
        note = parse_note(text, structures=self.structures)
        author = one_line(author, "the author's name", needed=False)
        with self.store.writing() as connection:
            current = _get(connection, id)
            changed = None
            if current.revision == expected_revision:
                changed = self._step(
                    connection, current, "changed", author, note=note, published=published
                )
            if changed is None:
                current = _get(connection, id, deleted=None)
                self._set_aside(connection, current.id, expected_revision, text, author)
        if changed is None:
            raise Stale(current, text)
        return changed

    def delete(self, id: str, *, expected_revision: int, author: str = "") -> StoredNote:
        """Delete a note; its revisions stay, and it can be restored.

        Raises `Stale` and `NotFound`.
        """
        author = one_line(author, "the author's name", needed=False)
        with self.store.writing() as connection:
            current = _get(connection, id)
            changed = None
            if current.revision == expected_revision:
                changed = self._step(connection, current, "deleted", author)
            if changed is None:
                raise Stale(_get(connection, id, deleted=None), current.text)
            return changed

    def restore(
        self,
        id: str,
        *,
        revision: int | None = None,
        expected_revision: int | None = None,
        author: str = "",
    ) -> StoredNote:
        """Bring a deleted note back, or an older revision, as the next revision.

        Raises `NotFound` for a note or a revision that never was, and `Stale`
        where the note is not at ``expected_revision``, if one is given.
        """
        author = one_line(author, "the author's name", needed=False)
        with self.store.writing() as connection:
            current = _get(connection, id, deleted=None)
            changed = None
            if expected_revision is None or current.revision == expected_revision:
                note = None
                if revision is not None:
                    old = _revision(connection, current.id, revision)
                    note = parse_note(old.text, structures=self.structures)
                elif current.deleted is None:
                    return current
                changed = self._step(connection, current, "restored", author, note=note)
            if changed is None:
                raise Stale(_get(connection, id, deleted=None), current.text)
            return changed

    def revisions(self, id: str) -> builtins.list[NoteRevision]:
        """Every revision of a note, the first one first; raises `NotFound`."""
        with self.store.reading() as connection:
            _get(connection, id, deleted=None)
            rows = connection.execute(
                _revisions().where(NoteRevisionRow.note == id).order_by(NoteRevisionRow.revision)
            )
            return [NoteRevision(*row) for row in rows]

    def set_aside(self, id: str) -> builtins.list[SetAsideText]:
        """Texts for a note that came too late, the oldest first; raises `NotFound`."""
        with self.store.reading() as connection:
            _get(connection, id, deleted=None)
            rows = connection.execute(
                select(
                    SetAsideRow.note,
                    SetAsideRow.expected,
                    SetAsideRow.text,
                    SetAsideRow.author,
                    SetAsideRow.made,
                )
                .where(SetAsideRow.note == id)
                .order_by(SetAsideRow.number)
            )
            return [SetAsideText(*row) for row in rows]

    def take_in(
        self, notes: Iterable[PlanNote], *, author: str = "", published: bool = True
    ) -> dict[str, builtins.list[StoredNote]]:
        """Keep the notes of a folder: all of them or, on an error, none.

        A note with the file name of one that is here becomes its next
        revision, unless it is the same; all others are new. Gives back the
        notes that were ``created``, ``changed`` and left ``unchanged``.
        """
        author = one_line(author, "the author's name", needed=False)
        done: dict[str, builtins.list[StoredNote]] = {"created": [], "changed": [], "unchanged": []}
        with self.store.writing() as connection:
            rows = connection.execute(_notes().where(_is(False)).order_by(NoteRow.number))
            here: dict[str, StoredNote] = {}
            for row in rows:
                here.setdefault(row.name, StoredNote(*row))
            taken = _Names(here)
            for note in notes:
                known = here.pop(note.name, None) if note.name else None
                if known is None and not _may_have(note.name, taken):
                    # It got another name when it came first; the text tells it.
                    known = next((old for old in here.values() if old.text == note.text), None)
                    here.pop("" if known is None else known.name, None)
                if known is None:
                    new = self._create(connection, note, note.name, author, published, taken)
                    done["created"].append(new)
                elif known.text == note.text:
                    done["unchanged"].append(known)
                else:
                    # In this transaction nobody else can have been quicker on
                    # SQLite; on PostgreSQL the step looks again.
                    newer = self._step(connection, known, "changed", author, note=note)
                    if newer is None:
                        raise Stale(_get(connection, known.id, deleted=None), note.text)
                    done["changed"].append(newer)
        return done

    def plan_notes(self, *, published: bool | None = None) -> builtins.list[PlanNote]:
        """All notes that can be read, for lookups and exports, by their file names.

        A note whose family is known no more is left out here; `list` has it.
        """
        found = []
        for stored in self.list(published=published):
            try:
                found.append(stored.note(self.structures))
            except NoteError:
                continue
        return found

    def _create(
        self,
        connection: Connection,
        note: PlanNote,
        name: str,
        author: str,
        published: bool,
        taken: _Names,
    ) -> StoredNote:
        now = self.store.clock()
        name = _free(name, note.title, taken)
        taken.add(name)
        values = {
            **_from(note),
            "id": self.store.new_id(),
            "revision": 1,
            "name": name,
            "author": author,
            "published": published,
            "created": now,
            "changed": now,
            "deleted": None,
        }
        values["folded"] = folded(values["name"], note.text)
        connection.execute(insert(NoteRow).values(values))
        self._keep_revision(connection, values, "created")
        count_up(connection, "notes")
        return _get(connection, values["id"])

    def _step(
        self,
        connection: Connection,
        current: StoredNote,
        what: str,
        author: str,
        *,
        note: PlanNote | None = None,
        published: bool | None = None,
    ) -> StoredNote | None:
        """The next revision; none where somebody else was quicker."""
        now = self.store.clock()
        name = current.name
        if what == "restored" and current.deleted is not None:
            name = _free(name, current.title, _taken(connection))
        values: dict[str, Any] = {
            **(_from(note) if note is not None else {"text": current.text}),
            "revision": current.revision + 1,
            "name": name,
            "author": author,
            "published": current.published if published is None else published,
            "changed": now,
            "deleted": now if what == "deleted" else None,
        }
        values["folded"] = folded(values["name"], values["text"])
        done = connection.execute(
            update(NoteRow)
            .where(NoteRow.id == current.id, NoteRow.revision == current.revision)
            .values(values)
        )
        if done.rowcount != 1:
            return None
        self._keep_revision(connection, {**values, "id": current.id}, what)
        count_up(connection, "notes")
        return _get(connection, current.id, deleted=None)

    def _keep_revision(self, connection: Connection, values: dict[str, Any], what: str) -> None:
        connection.execute(
            insert(NoteRevisionRow).values(
                note=values["id"],
                revision=values["revision"],
                what=what,
                name=values["name"],
                text=values["text"],
                published=values["published"],
                author=values["author"],
                made=values["changed"],
            )
        )

    def _set_aside(
        self, connection: Connection, id: str, expected: int, text: str, author: str
    ) -> None:
        kept = connection.execute(
            select(SetAsideRow.number, SetAsideRow.text)
            .where(SetAsideRow.note == id)
            .order_by(SetAsideRow.number)
        ).all()
        if any(row.text == text for row in kept):
            return
        for row in kept[: max(0, len(kept) - MOST_SET_ASIDE + 1)]:
            connection.execute(delete(SetAsideRow).where(SetAsideRow.number == row.number))
        connection.execute(
            insert(SetAsideRow).values(
                note=id, expected=expected, text=text, author=author, made=self.store.clock()
            )
        )


def folded(name: str, text: str) -> str:
    """What a search looks at: without the difference of upper and lower case."""
    return f"{name}\n{text}".casefold()


_COLUMNS = (
    NoteRow.id,
    NoteRow.number,
    NoteRow.revision,
    NoteRow.name,
    NoteRow.text,
    NoteRow.structure,
    NoteRow.holder,
    NoteRow.side,
    NoteRow.title,
    NoteRow.author,
    NoteRow.published,
    NoteRow.created,
    NoteRow.changed,
    NoteRow.deleted,
)


def _notes() -> Any:
    return select(*_COLUMNS)


def _revisions() -> Any:
    return select(
        NoteRevisionRow.note,
        NoteRevisionRow.revision,
        NoteRevisionRow.what,
        NoteRevisionRow.name,
        NoteRevisionRow.text,
        NoteRevisionRow.published,
        NoteRevisionRow.author,
        NoteRevisionRow.made,
    )


def _is(deleted: bool) -> Any:
    return NoteRow.deleted.is_not(None) if deleted else NoteRow.deleted.is_(None)


def _get(connection: Connection, id: str, *, deleted: bool | None = False) -> StoredNote:
    """One note; ``deleted`` is none where it does not matter, true where it may be."""
    row = connection.execute(_notes().where(NoteRow.id == _key(id))).one_or_none()
    if row is None or (deleted is False and row.deleted is not None):
        raise NotFound("there is no such note" + ("" if row is None else " any more"))
    return StoredNote(*row)


def _revision(connection: Connection, id: str, revision: int) -> NoteRevision:
    row = None
    if 1 <= revision < 1 << 31:
        row = connection.execute(
            _revisions().where(NoteRevisionRow.note == id, NoteRevisionRow.revision == revision)
        ).one_or_none()
    if row is None:
        raise NotFound(f"there is no revision {revision} of this note")
    return NoteRevision(*row)


def _from(note: PlanNote) -> dict[str, Any]:
    return {
        "text": note.text,
        "structure": note.structure,
        "holder": note.holder,
        "side": note.side,
        "title": note.title,
    }


class _Names:
    """The names of all notes, as they are and in lower case."""

    def __init__(self, names: Iterable[str]) -> None:
        self.exact: set[str] = set()
        self.lower: set[str] = set()
        for name in names:
            self.add(name)

    def add(self, name: str) -> None:
        self.exact.add(name)
        self.lower.add(name.lower())


def _taken(connection: Connection) -> _Names:
    return _Names(connection.execute(select(NoteRow.name).where(_is(False))).scalars())


def _may_have(name: str, taken: _Names) -> bool:
    # Files of a folder may differ in case alone, and keep their names then.
    return is_note_name(name) and name not in taken.exact


def _free(name: str, title: str, taken: _Names) -> str:
    # A name that is made up differs in more than case: some systems know no other.
    return name if _may_have(name, taken) else free_note_name(title, taken.lower)


def _holdable(text: str) -> str:
    """A text with what no database can hold replaced, which then finds nothing."""
    return text.encode("utf-8", "replace").decode("utf-8")


def _key(id: str) -> str:
    return _holdable(id).replace("\0", "")[:40]
