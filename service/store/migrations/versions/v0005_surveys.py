"""Answers of surveys, and what they are beside repertoires.

Revision ID: 0005
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"


def upgrade() -> None:
    """Add the tables, and the counter that tells of changes."""
    op.create_table(
        "surveys",
        sa.Column("number", sa.Integer, nullable=False, autoincrement=True),
        sa.Column("id", sa.String(40), nullable=False),
        sa.Column("name", sa.String(200), nullable=False),
        sa.Column("games", sa.BigInteger, nullable=False),
        sa.Column("described", sa.Text, nullable=False),
        sa.Column("revision", sa.Integer, nullable=False),
        sa.Column("made", sa.String(27), nullable=False),
        sa.PrimaryKeyConstraint("number", name="pk_surveys"),
        sa.UniqueConstraint("id", name="uq_surveys_id"),
        sa.UniqueConstraint("name", name="uq_surveys_name"),
    )
    op.create_table(
        "survey_tables",
        sa.Column("survey", sa.String(40), nullable=False),
        sa.Column("name", sa.String(40), nullable=False),
        sa.Column("structure", sa.String(200), nullable=False),
        sa.Column("place", sa.Integer, nullable=False),
        sa.Column("rows", sa.Integer, nullable=False),
        sa.Column("left_out", sa.Integer, nullable=False),
        sa.Column("content", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("survey", "name", "structure", name="pk_survey_tables"),
        sa.ForeignKeyConstraint(
            ["survey"], ["surveys.id"], name="fk_survey_tables_survey_surveys", ondelete="CASCADE"
        ),
    )
    op.create_table(
        "survey_besides",
        sa.Column("survey", sa.String(40), nullable=False),
        sa.Column("repertoire", sa.String(40), nullable=False),
        sa.Column("place", sa.Integer, nullable=False),
        sa.Column("upload", sa.String(40), nullable=False),
        sa.Column("version", sa.Integer, nullable=False),
        sa.Column("side", sa.String(10), nullable=False),
        sa.Column("games", sa.BigInteger, nullable=False),
        sa.Column("followed", sa.BigInteger, nullable=False),
        sa.PrimaryKeyConstraint("survey", "repertoire", name="pk_survey_besides"),
        sa.ForeignKeyConstraint(
            ["survey"], ["surveys.id"], name="fk_survey_besides_survey_surveys", ondelete="CASCADE"
        ),
        sa.ForeignKeyConstraint(
            ["repertoire"],
            ["repertoires.id"],
            name="fk_survey_besides_repertoire_repertoires",
            ondelete="CASCADE",
        ),
    )
    op.create_table(
        "survey_beside_tables",
        sa.Column("survey", sa.String(40), nullable=False),
        sa.Column("repertoire", sa.String(40), nullable=False),
        sa.Column("name", sa.String(40), nullable=False),
        sa.Column("rows", sa.Integer, nullable=False),
        sa.Column("left_out", sa.Integer, nullable=False),
        sa.Column("content", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("survey", "repertoire", "name", name="pk_survey_beside_tables"),
        sa.ForeignKeyConstraint(
            ["survey", "repertoire"],
            ["survey_besides.survey", "survey_besides.repertoire"],
            name="fk_survey_beside_tables_survey_survey_besides",
            ondelete="CASCADE",
        ),
    )
    op.create_index("ix_survey_besides_repertoire", "survey_besides", ["repertoire"])
    counters = sa.table("counters", sa.column("name", sa.String), sa.column("value", sa.Integer))
    op.bulk_insert(counters, [{"name": "surveys", "value": 0}])
