"""Secrets that must come out again as they went in are sealed with a key that does not stand in the database.

These are the secrets of second factors, of webhooks, and the addresses of webhooks and push services, which often hold
a key. What is only compared (passwords, tokens, codes on paper) is kept as a digest and needs no seal.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Callable, Sequence
from typing import Any, TypeVar

from cryptography.fernet import Fernet, InvalidToken
from sqlalchemy import Connection, Engine, RowMapping, Table, func, select, update

from shared.accounts import Account
from shared.people import Channel
from shared.ports import StorageError
from shared.stores.registry import tables as t
from shared.stores.registry import tables_access as ta
from shared.stores.registry import tables_notices as tn
from shared.stores.registry.engine import FOREIGN, trouble
from shared.stores.registry.rows import Shape, insert_unless_there

Thing = TypeVar("Thing")
MARK = "sealed:"
NAME = "registry.sealed"
_PROOF = "opened"
_LOCK = 0x54425253  # PostgreSQL advisory lock
_KINDS = ("webhook", "url")


class WrongKey(StorageError):
    """Sealed with another key than the one at hand, or with one where there is none."""


class Seal:
    """``key``: a text that nobody guesses, such as 32 random bytes in base64. Fernet: AES-128-CBC and HMAC-SHA-256."""

    def __init__(self, key: str) -> None:
        self._box = Fernet(base64.urlsafe_b64encode(hashlib.sha256(key.encode()).digest()))

    def close(self, text: str) -> str:
        return MARK + self._box.encrypt(text.encode()).decode()

    def open(self, text: str) -> str:
        """Raises WrongKey."""
        try:
            return self._box.decrypt(text.removeprefix(MARK)).decode()
        except InvalidToken:
            raise WrongKey("the secrets of this registry are sealed with another key") from None


class SealedShape(Shape[Thing]):
    """A Shape some of whose fields are sealed in the database and plain in the thing."""

    def __init__(
        self, kind: type[Thing], table: Table, noun: str, seal: Seal | None,
        secret: Callable[[Thing], Sequence[str]], *, tuples: Sequence[str] = (),
    ) -> None:  # fmt: skip
        super().__init__(kind, table, noun, tuples=tuples)
        self._seal, self._secret = seal, secret

    def row(self, thing: Thing) -> dict[str, Any]:
        row = super().row(thing)
        if self._seal is not None:
            row |= {name: self._seal.close(row[name]) for name in self._secret(thing) if row[name]}
        return row

    def thing(self, row: RowMapping) -> Thing:
        opened = {name: self._opened(value) for name, value in row.items()}
        return super().thing(opened)  # type: ignore[arg-type]  # it only looks things up

    def _opened(self, value: Any) -> Any:
        if not isinstance(value, str) or not value.startswith(MARK):
            return value
        if self._seal is None:
            raise WrongKey("the secrets of this registry are sealed, and its key is not at hand")
        return self._seal.open(value)


def secrets_of_account(_: Account) -> Sequence[str]:
    return ("totp_secret",)


def secrets_of_channel(channel: Channel) -> Sequence[str]:
    return ("secret", "target") if channel.kind in _KINDS else ("secret",)


def is_sealed(engine: Engine) -> bool:
    with engine.connect() as connection:
        return _proof(connection) is not None


def take_into_use(engine: Engine, seal: Seal) -> None:
    """Seal whatever is plain. Raises WrongKey, with nothing changed, where another key was in use."""
    try:
        with engine.connect().execution_options(turnbell_write=True) as connection, connection.begin():
            if engine.dialect.name == "sqlite":
                connection.exec_driver_sql(
                    "PRAGMA secure_delete=ON"
                )  # what stood there plain is written over
            else:
                connection.execute(select(func.pg_advisory_xact_lock(_LOCK)))
            if (proof := _proof(connection)) is not None:
                seal.open(proof)
            else:
                row = {"name": NAME, "value": seal.close(_PROOF)}
                insert_unless_there(connection, t.memory, row, ("name",))
            for column in (ta.accounts.c.totp_secret, tn.channels.c.secret):
                _seal_plain(connection, seal, column)
            _seal_plain(connection, seal, tn.channels.c.target, tn.channels.c.kind.in_(_KINDS))
    except FOREIGN as error:
        raise trouble(error, "sealing the registry's secrets") from error


def _proof(connection: Connection) -> str | None:
    found: str | None = connection.execute(
        select(t.memory.c.value).where(t.memory.c.name == NAME)
    ).scalar_one_or_none()
    return found


def _seal_plain(connection: Connection, seal: Seal, column: Any, *which: Any) -> None:
    key = column.table.c.id
    plain = select(key, column).where(column.is_not(None), column != "", ~column.startswith(MARK), *which)
    for id_, text in connection.execute(plain).all():
        connection.execute(update(column.table).where(key == id_).values({column.name: seal.close(text)}))
