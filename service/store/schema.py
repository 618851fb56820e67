"""The tables of the store, as they are now.

How older stores become this is told by `pawnlore.service.store.migrations`; a
change here needs a new version there.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from sqlalchemy import (
    BigInteger,
    Boolean,
    Dialect,
    ForeignKey,
    ForeignKeyConstraint,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Text,
    UniqueConstraint,
)
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column
from sqlalchemy.types import TypeDecorator


class Moment(TypeDecorator[datetime]):
    """A moment in UTC, kept as text that sorts: ``2026-01-31T12:00:00.000000Z``."""

    impl = String(27)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> str | None:
        """A moment as its text."""
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError("a moment without a time zone")
        return value.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")

    def process_result_value(self, value: Any | None, dialect: Dialect) -> datetime | None:
        """A text as its moment."""
        return None if value is None else datetime.fromisoformat(value)


class Base(DeclarativeBase):
    """What all tables have in common: how their constraints are named."""

    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(column_0_N_label)s",
            "uq": "uq_%(table_name)s_%(column_0_N_name)s",
            "fk": "fk_%(table_name)s_%(column_0_name)s_%(referred_table_name)s",
            "pk": "pk_%(table_name)s",
        }
    )


class CounterRow(Base):
    """How often something was changed, so that what is kept in memory can tell."""

    __tablename__ = "counters"

    name: Mapped[str] = mapped_column(String(40), primary_key=True)
    value: Mapped[int] = mapped_column(Integer)


class NoteRow(Base):
    """A plan note as it stands now.

    ``structure``, ``holder``, ``side`` and ``title`` are taken from its text,
    and ``folded`` is what a search looks at.
    """

    __tablename__ = "notes"

    number: Mapped[int] = mapped_column(Integer, primary_key=True, autoincrement=True)
    id: Mapped[str] = mapped_column(String(40), unique=True)
    revision: Mapped[int] = mapped_column(Integer)
    name: Mapped[str] = mapped_column(String(250))
    text: Mapped[str] = mapped_column(Text)
    structure: Mapped[str] = mapped_column(String(200), index=True)
    holder: Mapped[str] = mapped_column(String(10))
    side: Mapped[str] = mapped_column(String(10))
    title: Mapped[str] = mapped_column(String(250))
    author: Mapped[str] = mapped_column(String(200))
    published: Mapped[bool] = mapped_column(Boolean)
    created: Mapped[datetime] = mapped_column(Moment)
    changed: Mapped[datetime] = mapped_column(Moment)
    deleted: Mapped[datetime | None] = mapped_column(Moment)
    folded: Mapped[str] = mapped_column(Text)


class NoteRevisionRow(Base):
    """One revision of a note, never changed after."""

    __tablename__ = "note_revisions"

    note: Mapped[str] = mapped_column(ForeignKey("notes.id"), primary_key=True)
    revision: Mapped[int] = mapped_column(Integer, primary_key=True, autoincrement=False)
    what: Mapped[str] = mapped_column(String(20))
    name: Mapped[str] = mapped_column(String(250))
    text: Mapped[str] = mapped_column(Text)
    published: Mapped[bool] = mapped_column(Boolean)
    author: Mapped[str] = mapped_column(String(200))
    made: Mapped[datetime] = mapped_column(Moment)


class SetAsideRow(Base):
    """A text that was not taken, because the note had been changed in between."""

    __tablename__ = "set_aside_texts"

    number: Mapped[int] = mapped_column(Integer, primary_key=True, autoincrement=True)
    note: Mapped[str] = mapped_column(ForeignKey("notes.id"), index=True)
    expected: Mapped[int] = mapped_column(Integer)
    text: Mapped[str] = mapped_column(Text)
    author: Mapped[str] = mapped_column(String(200))
    made: Mapped[datetime] = mapped_column(Moment)


class RepertoireRow(Base):
    """A repertoire, whatever its present content is.

    ``upload`` is its content; a row gets one in the same transaction that
    writes all of that content, so none is ever seen in part.
    """

    __tablename__ = "repertoires"

    number: Mapped[int] = mapped_column(Integer, primary_key=True, autoincrement=True)
    id: Mapped[str] = mapped_column(String(40), unique=True)
    name: Mapped[str] = mapped_column(String(250))
    side: Mapped[str] = mapped_column(String(10))
    upload: Mapped[str] = mapped_column(String(40))
    created: Mapped[datetime] = mapped_column(Moment)
    changed: Mapped[datetime] = mapped_column(Moment)


class UploadRow(Base):
    """One content of a repertoire: what was uploaded, and what was read from it.

    ``changes`` tells what the upload changed. Where its nodes were judged anew
    after it, ``judged`` is the moment and ``judging`` tells what that changed.
    """

    __tablename__ = "uploads"

    id: Mapped[str] = mapped_column(String(40), primary_key=True)
    repertoire: Mapped[str] = mapped_column(
        ForeignKey("repertoires.id", ondelete="CASCADE"), index=True
    )
    version: Mapped[int] = mapped_column(Integer)
    digest: Mapped[str] = mapped_column(String(64))
    size: Mapped[int] = mapped_column(Integer)
    games: Mapped[int] = mapped_column(Integer)
    nodes: Mapped[int] = mapped_column(Integer)
    model: Mapped[str] = mapped_column(String(64))
    made: Mapped[datetime] = mapped_column(Moment)
    changes: Mapped[str] = mapped_column(Text)
    judged: Mapped[datetime | None] = mapped_column(Moment)
    judging: Mapped[str] = mapped_column(Text)

    __table_args__ = (UniqueConstraint("repertoire", "version"),)


class PieceRow(Base):
    """A piece of an upload's content.

    ``kind`` is ``file`` (``name`` is the file's name and ``place`` its place
    among the files) or ``column``. Long contents stand in several pieces, so
    that none of them is large.
    """

    __tablename__ = "pieces"

    upload: Mapped[str] = mapped_column(
        ForeignKey("uploads.id", ondelete="CASCADE"), primary_key=True
    )
    kind: Mapped[str] = mapped_column(String(10), primary_key=True)
    place: Mapped[int] = mapped_column(Integer, primary_key=True, autoincrement=False)
    piece: Mapped[int] = mapped_column(Integer, primary_key=True, autoincrement=False)
    name: Mapped[str] = mapped_column(String(250))
    content: Mapped[bytes] = mapped_column(LargeBinary)


class SaidOfPawns:
    """What the author said of a skeleton; ``holder`` is that of the canonical one.

    ``fen`` is the position as the author gave it.
    """

    structure: Mapped[str] = mapped_column(String(200))
    holder: Mapped[str] = mapped_column(String(10))
    fen: Mapped[str] = mapped_column(String(200))
    reason: Mapped[str] = mapped_column(Text)
    author: Mapped[str] = mapped_column(String(200))
    revision: Mapped[int] = mapped_column(Integer)
    created: Mapped[datetime] = mapped_column(Moment)
    changed: Mapped[datetime] = mapped_column(Moment)


class LabelRow(SaidOfPawns, Base):
    """The author's own verdict on a skeleton.

    ``skeleton`` holds White's and Black's mask in hexadecimal, of the canonical
    one of the skeleton and its mirror.
    """

    __tablename__ = "labels"

    number: Mapped[int] = mapped_column(Integer, primary_key=True, autoincrement=True)
    id: Mapped[str] = mapped_column(String(40), unique=True)
    skeleton: Mapped[str] = mapped_column(String(32), unique=True)


class FormerLabelRow(SaidOfPawns, Base):
    """A label as it was before it was replaced, or taken away; never changed after.

    ``label`` is its id, ``skeleton`` as in `LabelRow`; ``ended`` and
    ``ended_by`` tell when it ended and by whom.
    """

    __tablename__ = "former_labels"

    number: Mapped[int] = mapped_column(Integer, primary_key=True, autoincrement=True)
    label: Mapped[str] = mapped_column(String(40))
    skeleton: Mapped[str] = mapped_column(String(32), index=True)
    ended: Mapped[datetime] = mapped_column(Moment)
    ended_by: Mapped[str] = mapped_column(String(200))
    replaced: Mapped[bool] = mapped_column(Boolean)


class OwnFamilyRow(Base):
    """A family of the author's own.

    ``must`` and ``free`` are JSON lists: the author's corrections of what the
    examples have in common.
    """

    __tablename__ = "own_families"

    number: Mapped[int] = mapped_column(Integer, primary_key=True, autoincrement=True)
    id: Mapped[str] = mapped_column(String(80), unique=True)
    name: Mapped[str] = mapped_column(String(200))
    parent: Mapped[str] = mapped_column(String(200))
    must: Mapped[str] = mapped_column(Text)
    free: Mapped[str] = mapped_column(Text)
    revision: Mapped[int] = mapped_column(Integer)
    author: Mapped[str] = mapped_column(String(200))
    created: Mapped[datetime] = mapped_column(Moment)
    changed: Mapped[datetime] = mapped_column(Moment)


class FamilyExampleRow(Base):
    """A position that belongs to an own family, or with ``counter`` one that does not.

    ``skeleton`` and ``holder`` are kept as in `LabelRow`.
    """

    __tablename__ = "family_examples"

    number: Mapped[int] = mapped_column(Integer, primary_key=True, autoincrement=True)
    family: Mapped[str] = mapped_column(ForeignKey("own_families.id", ondelete="CASCADE"))
    skeleton: Mapped[str] = mapped_column(String(32))
    counter: Mapped[bool] = mapped_column(Boolean)
    holder: Mapped[str] = mapped_column(String(10))
    fen: Mapped[str] = mapped_column(String(200))
    author: Mapped[str] = mapped_column(String(200))
    made: Mapped[datetime] = mapped_column(Moment)

    __table_args__ = (UniqueConstraint("family", "skeleton"),)


class ModelVersionRow(Base):
    """A taught model: its numbers, their digest, and what was measured of it.

    ``state`` is ``proposed``, ``accepted`` or ``rejected``. ``taught_from``
    tells which labels and families there were, ``figures`` is JSON.
    """

    __tablename__ = "model_versions"

    number: Mapped[int] = mapped_column(Integer, primary_key=True, autoincrement=True)
    state: Mapped[str] = mapped_column(String(10))
    digest: Mapped[str] = mapped_column(String(64))
    content: Mapped[bytes] = mapped_column(LargeBinary)
    base: Mapped[str] = mapped_column(String(64))
    taught_from: Mapped[str] = mapped_column(Text)
    figures: Mapped[str] = mapped_column(Text)
    author: Mapped[str] = mapped_column(String(200))
    made: Mapped[datetime] = mapped_column(Moment)


class ModelChoiceRow(Base):
    """Which model is in use from when on: the last row counts. 0 is the shipped one."""

    __tablename__ = "model_choices"

    number: Mapped[int] = mapped_column(Integer, primary_key=True, autoincrement=True)
    version: Mapped[int] = mapped_column(Integer)
    author: Mapped[str] = mapped_column(String(200))
    made: Mapped[datetime] = mapped_column(Moment)


class AskedRow(Base):
    """A skeleton that an author was asked about and did not want to label."""

    __tablename__ = "asked"

    skeleton: Mapped[str] = mapped_column(String(32), primary_key=True)
    author: Mapped[str] = mapped_column(String(200))
    made: Mapped[datetime] = mapped_column(Moment)


class SurveyRow(Base):
    """The answers of a survey of games, kept under a name.

    ``described`` is JSON: what was surveyed, with which model, what was skipped.
    """

    __tablename__ = "surveys"

    number: Mapped[int] = mapped_column(Integer, primary_key=True, autoincrement=True)
    id: Mapped[str] = mapped_column(String(40), unique=True)
    name: Mapped[str] = mapped_column(String(200), unique=True)
    games: Mapped[int] = mapped_column(BigInteger)
    described: Mapped[str] = mapped_column(Text)
    revision: Mapped[int] = mapped_column(Integer)
    made: Mapped[datetime] = mapped_column(Moment)


class SurveyTableRow(Base):
    """A table of a survey, or the part of it that tells of one structure.

    ``structure`` is empty for a table as a whole, and ``place`` orders the
    parts. ``content`` is JSON: the columns' names, and the rows as lists.
    """

    __tablename__ = "survey_tables"

    survey: Mapped[str] = mapped_column(
        ForeignKey("surveys.id", ondelete="CASCADE"), primary_key=True
    )
    name: Mapped[str] = mapped_column(String(40), primary_key=True)
    structure: Mapped[str] = mapped_column(String(200), primary_key=True)
    place: Mapped[int] = mapped_column(Integer)
    rows: Mapped[int] = mapped_column(Integer)
    left_out: Mapped[int] = mapped_column(Integer)
    content: Mapped[str] = mapped_column(Text)


class SurveyBesideRow(Base):
    """A survey beside one content of a repertoire: ``upload`` and ``version`` say which."""

    __tablename__ = "survey_besides"

    survey: Mapped[str] = mapped_column(
        ForeignKey("surveys.id", ondelete="CASCADE"), primary_key=True
    )
    repertoire: Mapped[str] = mapped_column(
        ForeignKey("repertoires.id", ondelete="CASCADE"), primary_key=True, index=True
    )
    place: Mapped[int] = mapped_column(Integer)
    upload: Mapped[str] = mapped_column(String(40))
    version: Mapped[int] = mapped_column(Integer)
    side: Mapped[str] = mapped_column(String(10))
    games: Mapped[int] = mapped_column(BigInteger)
    followed: Mapped[int] = mapped_column(BigInteger)


class SurveyBesideTableRow(Base):
    """A table of a survey beside a repertoire; ``content`` as in `SurveyTableRow`."""

    __tablename__ = "survey_beside_tables"

    survey: Mapped[str] = mapped_column(String(40), primary_key=True)
    repertoire: Mapped[str] = mapped_column(String(40), primary_key=True)
    name: Mapped[str] = mapped_column(String(40), primary_key=True)
    rows: Mapped[int] = mapped_column(Integer)
    left_out: Mapped[int] = mapped_column(Integer)
    content: Mapped[str] = mapped_column(Text)

    __table_args__ = (
        ForeignKeyConstraint(
            ["survey", "repertoire"],
            ["survey_besides.survey", "survey_besides.repertoire"],
            ondelete="CASCADE",
        ),
    )


class TokenRow(Base):
    """A named token: only the digest of its secret is kept."""

    __tablename__ = "tokens"

    number: Mapped[int] = mapped_column(Integer, primary_key=True, autoincrement=True)
    id: Mapped[str] = mapped_column(String(40), unique=True)
    name: Mapped[str] = mapped_column(String(200))
    digest: Mapped[str] = mapped_column(String(64), unique=True)
    rights: Mapped[str] = mapped_column(String(10))
    created: Mapped[datetime] = mapped_column(Moment)
    revoked: Mapped[datetime | None] = mapped_column(Moment)


class StudentLinkRow(Base):
    """A link to read one repertoire: only the digest of its secret is kept."""

    __tablename__ = "student_links"

    number: Mapped[int] = mapped_column(Integer, primary_key=True, autoincrement=True)
    id: Mapped[str] = mapped_column(String(40), unique=True)
    repertoire: Mapped[str] = mapped_column(
        ForeignKey("repertoires.id", ondelete="CASCADE"), index=True
    )
    name: Mapped[str] = mapped_column(String(200))
    digest: Mapped[str] = mapped_column(String(64), unique=True)
    created: Mapped[datetime] = mapped_column(Moment)
    revoked: Mapped[datetime | None] = mapped_column(Moment)


class JobRow(Base):
    """A long piece of work and how far it is.

    ``task`` is what is to be done, as JSON; a job without one cannot be taken
    up again. ``attempts`` counts how often somebody began with it.
    """

    __tablename__ = "jobs"

    number: Mapped[int] = mapped_column(Integer, primary_key=True, autoincrement=True)
    id: Mapped[str] = mapped_column(String(40), unique=True)
    kind: Mapped[str] = mapped_column(String(40))
    state: Mapped[str] = mapped_column(String(10))
    done: Mapped[int] = mapped_column(Integer)
    total: Mapped[int] = mapped_column(Integer)
    message: Mapped[str] = mapped_column(Text)
    result: Mapped[str] = mapped_column(Text)
    created: Mapped[datetime] = mapped_column(Moment)
    changed: Mapped[datetime] = mapped_column(Moment)
    attempts: Mapped[int] = mapped_column(Integer)
    task: Mapped[str] = mapped_column(Text)

    __table_args__ = (Index(None, "state"),)


class JobPieceRow(Base):
    """A piece of a file that a job works on; it goes when the job ends."""

    __tablename__ = "job_pieces"

    job: Mapped[str] = mapped_column(ForeignKey("jobs.id", ondelete="CASCADE"), primary_key=True)
    place: Mapped[int] = mapped_column(Integer, primary_key=True, autoincrement=False)
    piece: Mapped[int] = mapped_column(Integer, primary_key=True, autoincrement=False)
    name: Mapped[str] = mapped_column(String(250))
    content: Mapped[bytes] = mapped_column(LargeBinary)
