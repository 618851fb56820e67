"""Jobs that are taken up again, what they work on, and what judging anew changed.

Revision ID: 0003
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    """Add the columns and the table.

    Jobs of before have no task: what they were to read is gone, so they are
    not taken up again.
    """
    op.add_column("jobs", sa.Column("attempts", sa.Integer, nullable=False, server_default="0"))
    op.add_column("jobs", sa.Column("task", sa.Text, nullable=False, server_default=""))
    op.add_column("uploads", sa.Column("judged", sa.String(27), nullable=True))
    op.add_column("uploads", sa.Column("judging", sa.Text, nullable=False, server_default=""))
    op.create_table(
        "job_pieces",
        sa.Column("job", sa.String(40), nullable=False),
        sa.Column("place", sa.Integer, nullable=False),
        sa.Column("piece", sa.Integer, nullable=False),
        sa.Column("name", sa.String(250), nullable=False),
        sa.Column("content", sa.LargeBinary, nullable=False),
        sa.PrimaryKeyConstraint("job", "place", "piece", name="pk_job_pieces"),
        sa.ForeignKeyConstraint(
            ["job"], ["jobs.id"], name="fk_job_pieces_job_jobs", ondelete="CASCADE"
        ),
    )
