"""The author's own families, their examples, and versions of the taught model.

Revision ID: 0004
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    """Add the tables, and the counters that tell of changes."""
    op.create_table(
        "own_families",
        sa.Column("number", sa.Integer, nullable=False, autoincrement=True),
        sa.Column("id", sa.String(80), nullable=False),
        sa.Column("name", sa.String(200), nullable=False),
        sa.Column("parent", sa.String(200), nullable=False),
        sa.Column("must", sa.Text, nullable=False),
        sa.Column("free", sa.Text, nullable=False),
        sa.Column("revision", sa.Integer, nullable=False),
        sa.Column("author", sa.String(200), nullable=False),
        sa.Column("created", sa.String(27), nullable=False),
        sa.Column("changed", sa.String(27), nullable=False),
        sa.PrimaryKeyConstraint("number", name="pk_own_families"),
        sa.UniqueConstraint("id", name="uq_own_families_id"),
    )
    op.create_table(
        "family_examples",
        sa.Column("number", sa.Integer, nullable=False, autoincrement=True),
        sa.Column("family", sa.String(80), nullable=False),
        sa.Column("skeleton", sa.String(32), nullable=False),
        sa.Column("counter", sa.Boolean, nullable=False),
        sa.Column("holder", sa.String(10), nullable=False),
        sa.Column("fen", sa.String(200), nullable=False),
        sa.Column("author", sa.String(200), nullable=False),
        sa.Column("made", sa.String(27), nullable=False),
        sa.PrimaryKeyConstraint("number", name="pk_family_examples"),
        sa.ForeignKeyConstraint(
            ["family"],
            ["own_families.id"],
            name="fk_family_examples_family_own_families",
            ondelete="CASCADE",
        ),
        sa.UniqueConstraint("family", "skeleton", name="uq_family_examples_family_skeleton"),
    )
    op.create_table(
        "model_versions",
        sa.Column("number", sa.Integer, nullable=False, autoincrement=True),
        sa.Column("state", sa.String(10), nullable=False),
        sa.Column("digest", sa.String(64), nullable=False),
        sa.Column("content", sa.LargeBinary, nullable=False),
        sa.Column("base", sa.String(64), nullable=False),
        sa.Column("taught_from", sa.Text, nullable=False),
        sa.Column("figures", sa.Text, nullable=False),
        sa.Column("author", sa.String(200), nullable=False),
        sa.Column("made", sa.String(27), nullable=False),
        sa.PrimaryKeyConstraint("number", name="pk_model_versions"),
    )
    op.create_table(
        "model_choices",
        sa.Column("number", sa.Integer, nullable=False, autoincrement=True),
        sa.Column("version", sa.Integer, nullable=False),
        sa.Column("author", sa.String(200), nullable=False),
        sa.Column("made", sa.String(27), nullable=False),
        sa.PrimaryKeyConstraint("number", name="pk_model_choices"),
    )
    op.create_table(
        "asked",
        sa.Column("skeleton", sa.String(32), nullable=False),
        sa.Column("author", sa.String(200), nullable=False),
        sa.Column("made", sa.String(27), nullable=False),
        sa.PrimaryKeyConstraint("skeleton", name="pk_asked"),
    )
    counters = sa.table("counters", sa.column("name", sa.String), sa.column("value", sa.Integer))
    op.bulk_insert(counters, [{"name": name, "value": 0} for name in ("families", "models")])
