"""From here on some secrets are sealed: a program that does not know that must not open the registry."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    """The registry is sealed when it is opened with its key (``shared/stores/registry/seal.py``)."""


def downgrade() -> None:
    memory = sa.table("memory", sa.column("name"))
    sealed = sa.select(memory.c.name).where(memory.c.name == "registry.sealed")
    if op.get_bind().execute(sealed).first() is not None:
        raise RuntimeError("the secrets are sealed; an older program could not read them")
