"""Those who sign in."""

from __future__ import annotations

from typing import Any

from sqlalchemy import delete

from shared.accounts import Account
from shared.ports import Conflict, NotFound
from shared.stores.registry import tables_access as t
from shared.stores.registry.rows import Shape
from shared.stores.registry.work import Work

ACCOUNT = Shape(Account, t.accounts, "account", tuples=("recovery",))


class SqlAccounts:
    def __init__(self, work: Work) -> None:
        self._work = work

    def add(self, account: Account) -> None:
        with self._work.write("adding an account") as connection:
            if ACCOUNT.find(connection, t.accounts.c.login == account.login) is not None:
                raise Conflict(f"there is an account {account.login} already")
            ACCOUNT.insert(connection, account)

    def get(self, account_id: str) -> Account:
        with self._work.read("reading an account") as connection:
            return ACCOUNT.get(connection, account_id)

    def by_login(self, login: str) -> Account | None:
        with self._work.read("reading an account") as connection:
            return ACCOUNT.find(connection, t.accounts.c.login == login)

    def by_subject(self, subject: str) -> Account | None:
        with self._work.read("reading an account") as connection:
            return ACCOUNT.find(connection, t.accounts.c.subject == subject)

    def all(self) -> list[Account]:
        with self._work.read("reading accounts") as connection:
            return ACCOUNT.listed(connection, ACCOUNT.query(order=["login"]))

    def change(self, account_id: str, **fields: Any) -> Account:
        with self._work.write("changing an account") as connection:
            return ACCOUNT.change(connection, account_id, fields)

    def delete(self, account_id: str) -> None:
        with self._work.write("deleting an account") as connection:
            gone = delete(t.accounts).where(t.accounts.c.id == account_id)
            if connection.execute(gone).rowcount == 0:
                raise NotFound(f"there is no account {account_id}")
