"""The spool's tables: readings until the far store provably keeps them, and the book of sensors and of what changed."""

from __future__ import annotations

from sqlalchemy import (
    BigInteger,
    Column,
    Connection,
    Double,
    Engine,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    Table,
    Text,
    UniqueConstraint,
    insert,
    inspect,
    select,
    text,
)

from shared.ports import StorageError
from shared.stores.registry.columns import maybe, needed, serial_kind
from shared.stores.registry.engine import FOREIGN, trouble
from shared.stores.sqlite_files import SPOOL_ID

VERSION = 1
_LOCK = 0x54424C4D  # one maker of tables at a time on PostgreSQL
WAITING, SENT, UNSURE, KEPT, REFUSED = range(5)
"""Of a spooled reading: to be sent; sent, not yet confirmed; to be held against the far store first; here for good,
because the far store has something else at its instant; sent again and again and never found there."""

metadata = MetaData()

series = Table(
    "line_series",
    metadata,
    Column("id", serial_kind, primary_key=True, autoincrement=True),
    needed("site"),
    needed("probe"),
    needed("quantity"),
    needed("depth"),
    maybe("first_at", BigInteger),
    maybe("last_at", BigInteger),
    maybe("last_value", Double),
    Column("count", BigInteger, nullable=False, server_default="0"),
    maybe("released_to", BigInteger),  # no reading after this instant has left the spool
    Column("released", BigInteger, nullable=False, server_default="0"),  # grows when readings leave the spool
    UniqueConstraint("site", "probe", "quantity", "depth"),
)
spool = Table(
    "line_spool",
    metadata,
    Column("series", BigInteger, primary_key=True, autoincrement=False),
    Column("at", BigInteger, primary_key=True, autoincrement=False),
    needed("value", Double),
    needed("mark", Integer),
    needed("received_at", BigInteger),
    needed("state", Integer),
    Column(
        "since", BigInteger, nullable=False, server_default="0"
    ),  # the machine's clock, ms: when it was sent
    Column("tries", Integer, nullable=False, server_default="0"),
    Index("ix_line_spool_state", "state", "since"),
)
withdrawn = Table(
    "line_withdrawn",
    metadata,
    Column("series", BigInteger, primary_key=True, autoincrement=False),
    Column("at", BigInteger, primary_key=True, autoincrement=False),
)
arrivals = Table(
    "line_arrivals",
    metadata,
    Column("seq", serial_kind, primary_key=True, autoincrement=True),
    needed("received_at", BigInteger),
    Column("earliest", LargeBinary, nullable=False),
    sqlite_autoincrement=True,
)
counters = Table(
    "line_counters", metadata, Column("name", Text, primary_key=True), needed("value", BigInteger)
)
leases = Table(
    "line_leases",
    metadata,
    Column("name", Text, primary_key=True),
    needed("owner"),
    needed("until", BigInteger),
)


def make_tables(engine: Engine) -> None:
    """Raise StorageError, with nothing changed, when the spool is newer than this program."""
    try:
        with engine.connect() as connection:
            if inspect(connection).has_table(counters.name):
                _refuse_newer(connection)
                return
        with engine.connect().execution_options(turnbell_write=True) as connection, connection.begin():
            if engine.dialect.name == "postgresql":
                connection.execute(text("SELECT pg_advisory_xact_lock(:lock)"), {"lock": _LOCK})
            if inspect(connection).has_table(counters.name):
                _refuse_newer(connection)
                return
            metadata.create_all(connection)
            start = {"version": VERSION, "pruned_to": 0, "pulse": 0}
            connection.execute(
                insert(counters), [{"name": name, "value": value} for name, value in start.items()]
            )
            if engine.dialect.name == "sqlite":
                connection.exec_driver_sql(f"PRAGMA application_id={SPOOL_ID}")
    except FOREIGN as error:
        raise trouble(error, "opening the spool") from error


def _refuse_newer(connection: Connection) -> None:
    found = connection.execute(select(counters.c.value).where(counters.c.name == "version")).scalar_one()
    if found > VERSION:
        raise StorageError(
            f"the spool is of a newer version of this program (its tables are at {found}, this one knows {VERSION}); "
            "nothing was changed: install that version"
        )
