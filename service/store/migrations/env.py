"""Run by Alembic: hands it our tables and the connection that :mod:`service.store.migrating` opened."""

from alembic import context

from service.store.schema import metadata

connection = context.config.attributes["connection"]
# Batch mode rebuilds a table where SQLite cannot alter it in place.
context.configure(
    connection=connection, target_metadata=metadata, render_as_batch=True, transaction_per_migration=False
)
with context.begin_transaction():
    context.run_migrations()
