"""The shelf of repertoires: each one's PGN byte for byte, its nodes and their verdicts."""

from __future__ import annotations

import builtins
import hashlib
import io
import json
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import IO, Any

import numpy as np
from sqlalchemy import Connection, delete, func, insert, select, update

from pawnlore.service.store.errors import NotFound, Refused, StoreBusy
from pawnlore.service.store.repertoire_columns import packed, unpacked
from pawnlore.service.store.schema import PieceRow, RepertoireRow, UploadRow
from pawnlore.service.store.store import Store, count_up
from pawnlore.service.store.values import one_line
from pawnlore.structures.distinct_verdicts import DistinctVerdicts
from pawnlore.structures.repertoire import Repertoire
from pawnlore.structures.repertoire_changes import RepertoireChanges, repertoire_changes
from pawnlore.structures.verdict import HOLDERS, Verdicts

PIECE = 1 << 20
"""Bytes in one piece of a content."""

MOST_ROWS = 10_000
"""Changed nodes that are told one by one; all are counted."""

_SIDES = ("", "white", "black", "mixed")


@dataclass(frozen=True, slots=True)
class StoredRepertoire:
    """A repertoire, without its content.

    ``version`` counts its uploads from 1; ``upload`` is another text after each
    of them, and after its nodes were judged anew. ``size`` is in bytes,
    ``digest`` the SHA-256 of its files, ``model`` that of the model that gave
    the verdicts. ``judged`` is when its nodes were judged anew after the last
    upload, if they were. ``side`` is ``white``, ``black``, ``mixed`` or empty.
    """

    id: str
    number: int
    name: str
    side: str
    upload: str
    version: int
    digest: str
    size: int
    games: int
    nodes: int
    model: str
    created: datetime
    changed: datetime
    judged: datetime | None = None


@dataclass(frozen=True, slots=True)
class NodeChange:
    """One node that changed: ``what`` is ``added``, ``gone`` or ``moved``.

    ``moves`` are those from the start of its game. What it was and what it is
    now are empty where there is none.
    """

    what: str
    chapter: str
    moves: str
    structure_before: str
    holder_before: str
    structure: str
    holder: str


@dataclass(frozen=True, slots=True)
class Changes:
    """What an upload or a judging changed: counts of nodes, and the first of them one by one."""

    added: int = 0
    gone: int = 0
    moved: int = 0
    rows: tuple[NodeChange, ...] = ()


@dataclass(frozen=True)
class Content:
    """What a repertoire holds: its nodes, their verdicts and the model that gave them."""

    book: Repertoire
    distinct: DistinctVerdicts
    model: str


Then = Callable[[Connection, StoredRepertoire, Changes], None]
"""What else is written in the same transaction, with what was kept and what changed."""

Files = Sequence[tuple[str, bytes | IO[bytes]]]
"""Uploaded files: a name and a content, or a stream that can be read from its start."""


class RepertoireShelf:
    """The repertoires of a store. None of them is ever seen in part."""

    def __init__(self, store: Store) -> None:
        self.store = store

    def list(self, *, after: int = 0, limit: int | None = None) -> builtins.list[StoredRepertoire]:
        """Repertoires in the order in which they came; ``after`` is the last number before."""
        query = _repertoires().where(RepertoireRow.number > after).order_by(RepertoireRow.number)
        if limit is not None:
            query = query.limit(limit)
        with self.store.reading() as connection:
            return [StoredRepertoire(*row) for row in connection.execute(query)]

    def count(self) -> int:
        """How many repertoires there are."""
        with self.store.reading() as connection:
            query = select(func.count()).select_from(RepertoireRow)
            return int(connection.execute(query).scalar_one())

    def get(self, id: str) -> StoredRepertoire:
        """One repertoire; raises `NotFound`."""
        with self.store.reading() as connection:
            return _get(connection, id)

    def put(
        self,
        name: str,
        files: Files,
        book: Repertoire,
        distinct: DistinctVerdicts,
        *,
        model: str,
        side: str = "",
        id: str | None = None,
        then: Then | None = None,
    ) -> tuple[StoredRepertoire, Changes]:
        """Keep a repertoire, or with ``id`` a new content for the one of that id.

        ``book`` is what was read from the files. A repertoire that is uploaded
        again keeps its id, its name and side unless others are given, and all
        links to it. ``then`` writes more in the same transaction. Gives back
        the repertoire and what changed. Raises `NotFound` and `Refused`.
        """
        if side not in _SIDES:
            raise Refused("the side must be white, black or mixed")
        name = one_line(name, "the repertoire's name", needed=id is None)
        if not files:
            raise Refused("there is no file to keep")
        columns = packed(book, distinct)
        # Comparing takes longer than writing, and holds up nobody: it is done
        # before the transaction, which looks whether it still fits.
        for _ in range(3):
            before = None if id is None else self.get(id)
            changes = Changes()
            if before is not None:
                changes = compare(self.content(before.id), Content(book, distinct, model))
            with self.store.writing() as connection:
                new = self._put(
                    connection, before, name, files, book, columns, model, side, changes
                )
                if new is not None and then is not None:
                    then(connection, new, changes)
            if new is not None:
                return new, changes
        raise StoreBusy("the repertoire is being uploaded by somebody else too; try again")

    def rename(self, id: str, *, name: str = "", side: str | None = None) -> StoredRepertoire:
        """Another name or side for a repertoire; raises `NotFound` and `Refused`."""
        if side is not None and side not in _SIDES:
            raise Refused("the side must be white, black or mixed")
        name = one_line(name, "the repertoire's name", needed=False)
        with self.store.writing() as connection:
            before = _get(connection, id)
            connection.execute(
                update(RepertoireRow)
                .where(RepertoireRow.id == before.id)
                .values(
                    name=name or before.name,
                    side=before.side if side is None else side,
                    changed=self.store.clock(),
                )
            )
            count_up(connection, "repertoires")
            return _get(connection, id)

    def delete(self, id: str) -> None:
        """Delete a repertoire with its content and all links to it; raises `NotFound`."""
        with self.store.writing() as connection:
            before = _get(connection, id)
            connection.execute(delete(RepertoireRow).where(RepertoireRow.id == before.id))
            count_up(connection, "repertoires")

    def content(self, id: str) -> Content:
        """The nodes of a repertoire and their verdicts; raises `NotFound`."""
        with self.store.reading() as connection:
            found = _get(connection, id)
            rows = connection.execute(
                select(PieceRow.name, PieceRow.content)
                .where(PieceRow.upload == found.upload, PieceRow.kind == "column")
                .order_by(PieceRow.place, PieceRow.piece)
            )
            columns: dict[str, bytearray] = {}
            for row in rows:
                columns.setdefault(row.name, bytearray()).extend(row.content)
        book, distinct = unpacked({name: bytes(content) for name, content in columns.items()})
        return Content(book, distinct, found.model)

    def files(self, id: str) -> builtins.list[tuple[str, bytes]]:
        """The files of a repertoire as they were uploaded; raises `NotFound`."""
        files: dict[int, tuple[str, bytearray]] = {}
        with self.store.reading() as connection:
            found = _get(connection, id)
            rows = connection.execute(
                select(PieceRow.place, PieceRow.name, PieceRow.content)
                .where(PieceRow.upload == found.upload, PieceRow.kind == "file")
                .order_by(PieceRow.place, PieceRow.piece)
            )
            for row in rows:
                files.setdefault(row.place, (row.name, bytearray()))[1].extend(row.content)
        return [(name, bytes(content)) for name, content in files.values()]

    def file_names(self, id: str) -> builtins.list[str]:
        """The names of a repertoire's files, without their content; raises `NotFound`."""
        with self.store.reading() as connection:
            found = _get(connection, id)
            rows = connection.execute(
                select(PieceRow.name)
                .where(
                    PieceRow.upload == found.upload, PieceRow.kind == "file", PieceRow.piece == 0
                )
                .order_by(PieceRow.place)
            )
            return list(rows.scalars())

    def changes(self, id: str, *, of: str = "") -> Changes:
        """What the last upload of a repertoire changed, or judging it anew; raises `NotFound`.

        ``of`` is ``upload`` or ``judging``, or empty for the later one.
        """
        with self.store.reading() as connection:
            found = _get(connection, id)
            upload, judging = connection.execute(
                select(UploadRow.changes, UploadRow.judging).where(UploadRow.id == found.upload)
            ).one()
        text = upload if of == "upload" else judging
        if not text:
            text = json.dumps(asdict(Changes())) if of == "judging" else upload
        raw = json.loads(text)
        rows = tuple(NodeChange(**row) for row in raw["rows"])
        return Changes(raw["added"], raw["gone"], raw["moved"], rows)

    def judge_anew(
        self,
        kept: StoredRepertoire,
        book: Repertoire,
        distinct: DistinctVerdicts,
        changes: Changes,
        *,
        model: str,
        then: Then | None = None,
    ) -> StoredRepertoire:
        """Other verdicts on the same nodes, from another model.

        ``kept`` is the repertoire that was looked at, ``book`` its nodes and
        ``changes`` what is another one now. ``then`` writes more in the same
        transaction. Raises `NotFound`, and `StoreBusy` where it was uploaded
        again in between.
        """
        columns = packed(book, distinct)
        with self.store.writing() as connection:
            now = _get(connection, kept.id)
            if now.upload != kept.upload:
                raise StoreBusy("the repertoire was uploaded again in between; try again")
            upload = self.store.new_id()
            old = UploadRow.__table__.c
            # The new row is there before the old one goes: files move from one
            # to the other.
            row = connection.execute(select(UploadRow.__table__).where(old.id == now.upload)).one()
            values = {
                **row._mapping,
                "id": upload,
                "model": model,
                "version": -now.version,
                "judged": self.store.clock(),
                "judging": json.dumps(asdict(changes)),
            }
            connection.execute(insert(UploadRow).values(values))
            connection.execute(
                update(PieceRow)
                .where(PieceRow.upload == now.upload, PieceRow.kind == "file")
                .values(upload=upload)
            )
            _keep(connection, upload, "column", _column_pieces(columns))
            connection.execute(delete(UploadRow).where(UploadRow.id == now.upload))
            connection.execute(
                update(UploadRow).where(UploadRow.id == upload).values(version=now.version)
            )
            connection.execute(
                update(RepertoireRow).where(RepertoireRow.id == now.id).values(upload=upload)
            )
            count_up(connection, "repertoires")
            new = _get(connection, now.id)
            if then is not None:
                then(connection, new, changes)
            return new

    def _put(
        self,
        connection: Connection,
        before: StoredRepertoire | None,
        name: str,
        files: Files,
        book: Repertoire,
        columns: dict[str, bytes],
        model: str,
        side: str,
        changes: Changes,
    ) -> StoredRepertoire | None:
        """Write it all; none where the content is not the one any more that was compared."""
        now, upload = self.store.clock(), self.store.new_id()
        if before is None:
            id = self.store.new_id()
            connection.execute(
                insert(RepertoireRow).values(
                    id=id, name=name, side=side, upload=upload, created=now, changed=now
                )
            )
        else:
            id = before.id
            done = connection.execute(
                update(RepertoireRow)
                .where(RepertoireRow.id == id, RepertoireRow.upload == before.upload)
                .values(
                    upload=upload, name=name or before.name, side=side or before.side, changed=now
                )
            )
            if done.rowcount != 1:
                return None
            connection.execute(delete(UploadRow).where(UploadRow.id == before.upload))
        digest, size = hashlib.sha256(), 0
        connection.execute(
            insert(UploadRow).values(
                id=upload,
                repertoire=id,
                version=1 if before is None else before.version + 1,
                digest="",
                size=0,
                games=len(book.games),
                nodes=len(book),
                model=model,
                made=now,
                changes=json.dumps(asdict(changes)),
                judged=None,
                judging="",
            )
        )
        for place, (file, content) in enumerate(files):
            shown = file_name(file)
            stream = io.BytesIO(content) if isinstance(content, bytes) else content
            stream.seek(0)
            piece = 0
            # An empty file has a piece too, so that it is not lost.
            while (part := stream.read(PIECE)) or not piece:
                _keep(connection, upload, "file", [(place, piece, shown, part)])
                digest.update(part)
                size += len(part)
                piece += 1
        _keep(connection, upload, "column", _column_pieces(columns))
        connection.execute(
            update(UploadRow)
            .where(UploadRow.id == upload)
            .values(digest=digest.hexdigest(), size=size)
        )
        count_up(connection, "repertoires")
        return _get(connection, id)


def compare(old: Content, new: Content) -> Changes:
    """What changed from one content of a repertoire to the next."""
    changes = (
        _the_same(len(new.book)) if old.book is new.book else repertoire_changes(old.book, new.book)
    )
    before, after = old.distinct.every_node(), new.distinct.every_node()
    moved_old, moved_new = changes.moved(before, after)
    rows: list[NodeChange] = []
    for node in changes.added[:MOST_ROWS].tolist():
        now = _verdict(after, node)
        rows.append(NodeChange("added", *_where(new.book, node), "", "", *now))
    for node in changes.gone[: MOST_ROWS - len(rows)].tolist():
        rows.append(NodeChange("gone", *_where(old.book, node), *_verdict(before, node), "", ""))
    for was, node in zip(
        moved_old[: MOST_ROWS - len(rows)].tolist(), moved_new.tolist(), strict=False
    ):
        rows.append(
            NodeChange(
                "moved", *_where(new.book, node), *_verdict(before, was), *_verdict(after, node)
            )
        )
    return Changes(len(changes.added), len(changes.gone), len(moved_new), tuple(rows))


def file_name(name: str) -> str:
    """A file's name that can be kept: the last part, without signs that cannot be shown.

    >>> file_name("../repertoire/white.pgn")
    'white.pgn'
    """
    last = name.replace("\\", "/").rsplit("/", 1)[-1]
    kept = "".join(sign if sign.isprintable() else "_" for sign in last).strip()
    return kept[:200] or "repertoire.pgn"


def _the_same(nodes: int) -> RepertoireChanges:
    none = np.empty(0, dtype=np.intp)
    return RepertoireChanges(np.arange(nodes, dtype=np.intp), none, none)


def _where(book: Repertoire, node: int) -> tuple[str, str]:
    line = book.line(node)
    return book.game_of(node).chapter, " ".join(book.moves[step] for step in line[1:])


def _verdict(verdicts: Verdicts, node: int) -> tuple[str, str]:
    return verdicts.structure(node), HOLDERS[int(verdicts.holder[node])]


def _column_pieces(columns: dict[str, bytes]) -> Iterator[tuple[int, int, str, bytes]]:
    for place, (name, content) in enumerate(columns.items()):
        for piece, start in enumerate(range(0, len(content), PIECE)):
            yield place, piece, name, content[start : start + PIECE]


def _keep(
    connection: Connection, upload: str, kind: str, pieces: Iterable[tuple[int, int, str, bytes]]
) -> None:
    for place, piece, name, content in pieces:
        connection.execute(
            insert(PieceRow).values(
                upload=upload, kind=kind, place=place, piece=piece, name=name, content=content
            )
        )


def _repertoires() -> Any:
    return select(
        RepertoireRow.id,
        RepertoireRow.number,
        RepertoireRow.name,
        RepertoireRow.side,
        RepertoireRow.upload,
        UploadRow.version,
        UploadRow.digest,
        UploadRow.size,
        UploadRow.games,
        UploadRow.nodes,
        UploadRow.model,
        RepertoireRow.created,
        RepertoireRow.changed,
        UploadRow.judged,
    ).join(UploadRow, UploadRow.id == RepertoireRow.upload)


def _get(connection: Connection, id: str) -> StoredRepertoire:
    key = id.encode("utf-8", "replace").decode().replace("\0", "")[:40]
    row = connection.execute(_repertoires().where(RepertoireRow.id == key)).one_or_none()
    if row is None:
        raise NotFound("there is no such repertoire")
    return StoredRepertoire(*row)
