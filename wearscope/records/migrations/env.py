"""Alembic's entry point: migrates over the connection that the opener holds, inside its transaction."""

from alembic import context

context.configure(connection=context.config.attributes["connection"], transaction_per_migration=False)
context.run_migrations()
