"""The tables of accounts and of the audit log; tokens and broker credentials stand with the others."""

from __future__ import annotations

from sqlalchemy import DDL, BigInteger, Column, Index, Table, UniqueConstraint, event

from shared.stores.registry.columns import id_, json_kind, maybe, metadata, needed, serial_kind

accounts = Table(
    "accounts",
    metadata,
    id_(),
    needed("login"),
    needed("name"),
    needed("created_at", BigInteger),
    maybe("role"),
    Column("site_roles", json_kind, nullable=False),
    maybe("password_hash"),
    maybe("subject"),
    maybe("totp_secret"),
    needed("totp_step", BigInteger),
    Column("recovery", json_kind, nullable=False),
    maybe("disabled_at", BigInteger),
    maybe("last_login_at", BigInteger),
    UniqueConstraint("login"),
    UniqueConstraint("subject"),
)

audit = Table(
    "audit",
    metadata,
    Column("seq", serial_kind, primary_key=True, autoincrement=False),
    needed("at", BigInteger),
    needed("who"),
    needed("by"),
    needed("act"),
    needed("what"),
    maybe("site"),
    needed("source"),
    Column("detail", json_kind, nullable=False),
    needed("digest"),
    Index("ix_audit_at", "at"),
)

AUDIT_STAYS = {
    "sqlite": tuple(
        f"CREATE TRIGGER audit_stays_{verb} BEFORE {verb.upper()} ON audit "
        "BEGIN SELECT RAISE(ABORT, 'the audit log is only added to'); END"
        for verb in ("update", "delete")
    ),
    "postgresql": (
        (
            "CREATE FUNCTION audit_stays() RETURNS trigger LANGUAGE plpgsql AS "
            "$$ BEGIN RAISE EXCEPTION 'the audit log is only added to'; END $$"
        ),
        (
            "CREATE TRIGGER audit_stays BEFORE UPDATE OR DELETE OR TRUNCATE ON audit "
            "FOR EACH STATEMENT EXECUTE FUNCTION audit_stays()"
        ),
    ),
}
"""The database itself refuses to change an entry."""

for _dialect, _statements in AUDIT_STAYS.items():
    for _statement in _statements:
        event.listen(audit, "after_create", DDL(_statement).execute_if(dialect=_dialect))  # type: ignore[no-untyped-call]  # SQLAlchemy leaves it so
