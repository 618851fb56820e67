"""The first tables.

Revision ID: 0001
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None

_MOMENT = 27


def _number() -> sa.Column[int]:
    return sa.Column("number", sa.Integer, autoincrement=True, nullable=False)


def _text(name: str, length: int) -> sa.Column[str]:
    return sa.Column(name, sa.String(length), nullable=False)


def _integer(name: str) -> sa.Column[int]:
    return sa.Column(name, sa.Integer, nullable=False)


def _moment(name: str, *, nullable: bool = False) -> sa.Column[str]:
    return sa.Column(name, sa.String(_MOMENT), nullable=nullable)


def upgrade() -> None:
    """Make the tables."""
    counters = op.create_table(
        "counters",
        _text("name", 40),
        _integer("value"),
        sa.PrimaryKeyConstraint("name", name="pk_counters"),
    )
    op.bulk_insert(
        counters, [{"name": name, "value": 0} for name in ("notes", "labels", "repertoires")]
    )
    op.create_table(
        "notes",
        _number(),
        _text("id", 40),
        _integer("revision"),
        _text("name", 250),
        sa.Column("text", sa.Text, nullable=False),
        _text("structure", 200),
        _text("holder", 10),
        _text("side", 10),
        _text("title", 250),
        _text("author", 200),
        sa.Column("published", sa.Boolean, nullable=False),
        _moment("created"),
        _moment("changed"),
        _moment("deleted", nullable=True),
        sa.PrimaryKeyConstraint("number", name="pk_notes"),
        sa.UniqueConstraint("id", name="uq_notes_id"),
    )
    op.create_index("ix_notes_structure", "notes", ["structure"])
    op.create_table(
        "note_revisions",
        _text("note", 40),
        _integer("revision"),
        _text("what", 20),
        _text("name", 250),
        sa.Column("text", sa.Text, nullable=False),
        sa.Column("published", sa.Boolean, nullable=False),
        _text("author", 200),
        _moment("made"),
        sa.PrimaryKeyConstraint("note", "revision", name="pk_note_revisions"),
        sa.ForeignKeyConstraint(["note"], ["notes.id"], name="fk_note_revisions_note_notes"),
    )
    op.create_table(
        "repertoires",
        _number(),
        _text("id", 40),
        _text("name", 250),
        _text("side", 10),
        _text("upload", 40),
        _moment("created"),
        _moment("changed"),
        sa.PrimaryKeyConstraint("number", name="pk_repertoires"),
        sa.UniqueConstraint("id", name="uq_repertoires_id"),
    )
    op.create_table(
        "uploads",
        _text("id", 40),
        _text("repertoire", 40),
        _integer("version"),
        _text("digest", 64),
        _integer("size"),
        _integer("games"),
        _integer("nodes"),
        _text("model", 64),
        _moment("made"),
        sa.Column("changes", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_uploads"),
        sa.ForeignKeyConstraint(
            ["repertoire"],
            ["repertoires.id"],
            name="fk_uploads_repertoire_repertoires",
            ondelete="CASCADE",
        ),
        sa.UniqueConstraint("repertoire", "version", name="uq_uploads_repertoire_version"),
    )
    op.create_index("ix_uploads_repertoire", "uploads", ["repertoire"])
    op.create_table(
        "pieces",
        _text("upload", 40),
        _text("kind", 10),
        _integer("place"),
        _integer("piece"),
        _text("name", 250),
        sa.Column("content", sa.LargeBinary, nullable=False),
        sa.PrimaryKeyConstraint("upload", "kind", "place", "piece", name="pk_pieces"),
        sa.ForeignKeyConstraint(
            ["upload"], ["uploads.id"], name="fk_pieces_upload_uploads", ondelete="CASCADE"
        ),
    )
    op.create_table(
        "labels",
        _number(),
        _text("id", 40),
        _text("skeleton", 32),
        _text("structure", 200),
        _text("holder", 10),
        _text("fen", 200),
        sa.Column("reason", sa.Text, nullable=False),
        _text("author", 200),
        _integer("revision"),
        _moment("created"),
        _moment("changed"),
        sa.PrimaryKeyConstraint("number", name="pk_labels"),
        sa.UniqueConstraint("id", name="uq_labels_id"),
        sa.UniqueConstraint("skeleton", name="uq_labels_skeleton"),
    )
    op.create_table(
        "tokens",
        _number(),
        _text("id", 40),
        _text("name", 200),
        _text("digest", 64),
        _text("rights", 10),
        _moment("created"),
        _moment("revoked", nullable=True),
        sa.PrimaryKeyConstraint("number", name="pk_tokens"),
        sa.UniqueConstraint("id", name="uq_tokens_id"),
        sa.UniqueConstraint("digest", name="uq_tokens_digest"),
    )
    op.create_table(
        "student_links",
        _number(),
        _text("id", 40),
        _text("repertoire", 40),
        _text("name", 200),
        _text("digest", 64),
        _moment("created"),
        _moment("revoked", nullable=True),
        sa.PrimaryKeyConstraint("number", name="pk_student_links"),
        sa.ForeignKeyConstraint(
            ["repertoire"],
            ["repertoires.id"],
            name="fk_student_links_repertoire_repertoires",
            ondelete="CASCADE",
        ),
        sa.UniqueConstraint("id", name="uq_student_links_id"),
        sa.UniqueConstraint("digest", name="uq_student_links_digest"),
    )
    op.create_index("ix_student_links_repertoire", "student_links", ["repertoire"])
    op.create_table(
        "jobs",
        _number(),
        _text("id", 40),
        _text("kind", 40),
        _text("state", 10),
        _integer("done"),
        _integer("total"),
        sa.Column("message", sa.Text, nullable=False),
        sa.Column("result", sa.Text, nullable=False),
        _moment("created"),
        _moment("changed"),
        sa.PrimaryKeyConstraint("number", name="pk_jobs"),
        sa.UniqueConstraint("id", name="uq_jobs_id"),
    )
    op.create_index("ix_jobs_state", "jobs", ["state"])
