"""What a search looks at, and texts that were not taken.

Revision ID: 0002
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    """Add the column and the table, and fill the column from the notes there are."""
    op.add_column("notes", sa.Column("folded", sa.Text, nullable=False, server_default=""))
    notes = sa.table(
        "notes",
        sa.column("number", sa.Integer),
        sa.column("name", sa.String),
        sa.column("text", sa.Text),
        sa.column("folded", sa.Text),
    )
    connection = op.get_bind()
    # Folding upper and lower case is left to Python: databases differ in it.
    rows = connection.execute(sa.select(notes.c.number, notes.c.name, notes.c.text)).all()
    for number, name, text in rows:
        connection.execute(
            notes.update().where(notes.c.number == number).values(folded=_folded(name, text))
        )
    op.create_table(
        "set_aside_texts",
        sa.Column("number", sa.Integer, autoincrement=True, nullable=False),
        sa.Column("note", sa.String(40), nullable=False),
        sa.Column("expected", sa.Integer, nullable=False),
        sa.Column("text", sa.Text, nullable=False),
        sa.Column("author", sa.String(200), nullable=False),
        sa.Column("made", sa.String(27), nullable=False),
        sa.PrimaryKeyConstraint("number", name="pk_set_aside_texts"),
        sa.ForeignKeyConstraint(["note"], ["notes.id"], name="fk_set_aside_texts_note_notes"),
    )
    op.create_index("ix_set_aside_texts_note", "set_aside_texts", ["note"])


def _folded(name: str, text: str) -> str:
    # As the shelf of notes did it when this version was made; kept here, so
    # that a later change there does not change what this migration does.
    return f"{name}\n{text}".casefold()
