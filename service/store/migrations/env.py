"""How Alembic runs the migrations: on the connection that it is handed."""

from __future__ import annotations

from alembic import context

from pawnlore.service.store.schema import Base

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=Base.metadata,
    # SQLite can undo changes of tables, although Alembic does not count on it.
    transactional_ddl=True,
)
with context.begin_transaction():
    context.run_migrations()
