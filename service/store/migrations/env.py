"""Runs the migrations on the connection that the store hands in."""

from alembic import context
from sqlmodel import SQLModel

import service.model  # noqa: F401 - the tables must be known

connection = context.config.attributes["connection"]
context.configure(
    connection=connection,
    target_metadata=SQLModel.metadata,
    render_as_batch=connection.dialect.name == "sqlite",
    transactional_ddl=True,
)
# The store holds the transaction: all migrations land together, or none does.
context.run_migrations()
