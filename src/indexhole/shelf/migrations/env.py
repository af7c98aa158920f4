"""Alembic's entry: runs the numbered changes over the connection handed in by `shelf.database`."""

from alembic import context

from indexhole.shelf.register.tables import metadata

# the caller holds the transaction, so a change that fails leaves the register as it was;
# the metadata gives constraints the names they have in the code
context.configure(connection=context.config.attributes["connection"], target_metadata=metadata)
context.run_migrations()
