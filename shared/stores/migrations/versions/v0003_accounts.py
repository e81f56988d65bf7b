"""Accounts, and the audit log that refuses to be changed."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    op.create_table(
        "accounts",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("login", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("created_at", sa.BigInteger(), nullable=False),
        sa.Column("role", sa.Text(), nullable=True),
        sa.Column("site_roles", sa.JSON(), nullable=False),
        sa.Column("password_hash", sa.Text(), nullable=True),
        sa.Column("subject", sa.Text(), nullable=True),
        sa.Column("totp_secret", sa.Text(), nullable=True),
        sa.Column("totp_step", sa.BigInteger(), nullable=False),
        sa.Column("recovery", sa.JSON(), nullable=False),
        sa.Column("disabled_at", sa.BigInteger(), nullable=True),
        sa.Column("last_login_at", sa.BigInteger(), nullable=True),
        sa.PrimaryKeyConstraint("id", name="pk_accounts"),
        sa.UniqueConstraint("login", name="uq_accounts_login"),
        sa.UniqueConstraint("subject", name="uq_accounts_subject"),
    )
    op.create_table(
        "audit",
        sa.Column(
            "seq", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), autoincrement=False, nullable=False
        ),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("by", sa.Text(), nullable=False),
        sa.Column("act", sa.Text(), nullable=False),
        sa.Column("what", sa.Text(), nullable=False),
        sa.Column("site", sa.Text(), nullable=True),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("detail", sa.JSON(), nullable=False),
        sa.Column("digest", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("seq", name="pk_audit"),
    )
    op.create_index("ix_audit_at", "audit", ["at"], unique=False)
    if op.get_context().dialect.name == "postgresql":
        op.execute(
            "CREATE FUNCTION audit_stays() RETURNS trigger LANGUAGE plpgsql AS "
            "$$ BEGIN RAISE EXCEPTION 'the audit log is only added to'; END $$"
        )
        op.execute(
            "CREATE TRIGGER audit_stays BEFORE UPDATE OR DELETE OR TRUNCATE ON audit "
            "FOR EACH STATEMENT EXECUTE FUNCTION audit_stays()"
        )
        return
    for verb in ("update", "delete"):
        op.execute(
            f"CREATE TRIGGER audit_stays_{verb} BEFORE {verb.upper()} ON audit "
            "BEGIN SELECT RAISE(ABORT, 'the audit log is only added to'); END"
        )
