"""How Alembic runs the migrations: on the connection that it is handed."""

from __future__ import annotations

from alembic import context

from pawnlore.service.store.schema import Base


def run() -> None:
    """Bring the tables behind the connection to the version that is asked for."""
    context.configure(
        connection=context.config.attributes["connection"],
        target_metadata=Base.metadata,
        # SQLite can undo changes of tables, although Alembic does not count on it.
        transactional_ddl=True,
    )
    with context.begin_transaction():
        context.run_migrations()


# Alembic runs this file under a name of its own. Imported as a part of the
# package, as those who look through all modules do, it has nothing to do.
if not __name__.startswith("pawnlore."):
    run()
