"""Bringing a store's tables up to date."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy import Connection, Engine, inspect, text

from pawnlore.service.store.errors import OtherVersion

if TYPE_CHECKING:
    from alembic.config import Config

NEWEST = "0006"
"""The version of `pawnlore.service.store.schema`."""

VERSIONS = ("0001", "0002", "0003", "0004", "0005", "0006")
"""Every version, the oldest first."""

_LOCK = 0x7061776E  # any number that other programs on the database do not use


def version_of(connection: Connection) -> str | None:
    """The version of a store's tables, or none where there are none yet."""
    if not inspect(connection).has_table("alembic_version"):
        return None
    found = connection.execute(text("SELECT version_num FROM alembic_version")).scalar()
    return None if found is None else str(found)


def bring_up_to_date(reading: Engine, writing: Engine, *, to: str = NEWEST) -> None:
    """Make the tables, or change older ones, in one transaction.

    Raises `OtherVersion` where they are newer than this program knows.
    """
    with reading.begin() as connection:
        found = version_of(connection)
    if found == to:
        return
    with writing.begin() as connection:
        if connection.dialect.name == "postgresql":
            # Of several programs that start at once, one does it.
            connection.execute(text("SELECT pg_advisory_xact_lock(:lock)"), {"lock": _LOCK})
        found = version_of(connection)
        if found == to:
            return
        if found is not None and found not in VERSIONS:
            raise OtherVersion(
                f"the store is of version {found}, and this program knows versions up to "
                f"{NEWEST}; use the newer program that made it"
            )
        change_tables(connection, to)


def change_tables(connection: Connection, to: str) -> None:
    """Run the migrations from what is there up to a version, on this connection."""
    from alembic import command

    settings = migration_settings()
    settings.attributes["connection"] = connection
    command.upgrade(settings, to)


def migration_settings() -> Config:
    """What Alembic needs to find the migrations, which are part of the package."""
    from alembic.config import Config

    settings = Config()
    # A percent sign would begin a placeholder in these settings.
    place = str(Path(__file__).with_name("migrations")).replace("%", "%%")
    settings.set_main_option("script_location", place)
    return settings
