"""Labels that were replaced or taken away, so that they can be had back.

Revision ID: 0006
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"


def upgrade() -> None:
    """Add the table. Labels that were replaced before are in no store."""
    op.create_table(
        "former_labels",
        sa.Column("number", sa.Integer, nullable=False, autoincrement=True),
        sa.Column("label", sa.String(40), nullable=False),
        sa.Column("skeleton", sa.String(32), nullable=False),
        sa.Column("structure", sa.String(200), nullable=False),
        sa.Column("holder", sa.String(10), nullable=False),
        sa.Column("fen", sa.String(200), nullable=False),
        sa.Column("reason", sa.Text, nullable=False),
        sa.Column("author", sa.String(200), nullable=False),
        sa.Column("revision", sa.Integer, nullable=False),
        sa.Column("created", sa.String(27), nullable=False),
        sa.Column("changed", sa.String(27), nullable=False),
        sa.Column("ended", sa.String(27), nullable=False),
        sa.Column("ended_by", sa.String(200), nullable=False),
        sa.Column("replaced", sa.Boolean, nullable=False),
        sa.PrimaryKeyConstraint("number", name="pk_former_labels"),
    )
    op.create_index("ix_former_labels_skeleton", "former_labels", ["skeleton"])
