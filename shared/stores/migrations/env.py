"""What Alembic runs; ``upgrade.py`` hands it the open connection."""

from __future__ import annotations

from alembic import context
from sqlalchemy import Connection

connection: Connection = context.config.attributes["connection"]
context.configure(connection=connection, transactional_ddl=True)
with context.begin_transaction():
    context.run_migrations()
