"""What Alembic runs: the migrations, in the transaction that it was handed."""

from __future__ import annotations

from alembic import context

from dyelight.press_log.schema import metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    # SQLite alters tables by copying them
    render_as_batch=True,
    transactional_ddl=True,
)
context.run_migrations()
