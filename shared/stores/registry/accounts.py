"""Those who sign in."""

from __future__ import annotations

from typing import Any

from sqlalchemy import delete

from shared.accounts import Account
from shared.ports import Conflict, NotFound
from shared.stores.registry import tables_access as t
from shared.stores.registry.seal import Seal, SealedShape, secrets_of_account
from shared.stores.registry.work import Work


class SqlAccounts:
    def __init__(self, work: Work, seal: Seal | None) -> None:
        self._work = work
        self._shape = SealedShape(
            Account, t.accounts, "account", seal, secrets_of_account, tuples=("recovery",)
        )

    def add(self, account: Account) -> None:
        with self._work.write("adding an account") as connection:
            if self._shape.find(connection, t.accounts.c.login == account.login) is not None:
                raise Conflict(f"there is an account {account.login} already")
            self._shape.insert(connection, account)

    def get(self, account_id: str) -> Account:
        with self._work.read("reading an account") as connection:
            return self._shape.get(connection, account_id)

    def by_login(self, login: str) -> Account | None:
        with self._work.read("reading an account") as connection:
            return self._shape.find(connection, t.accounts.c.login == login)

    def by_subject(self, subject: str) -> Account | None:
        with self._work.read("reading an account") as connection:
            return self._shape.find(connection, t.accounts.c.subject == subject)

    def all(self) -> list[Account]:
        with self._work.read("reading accounts") as connection:
            return self._shape.listed(connection, self._shape.query(order=["login"]))

    def change(self, account_id: str, **fields: Any) -> Account:
        with self._work.write("changing an account") as connection:
            return self._shape.change(connection, account_id, fields)

    def delete(self, account_id: str) -> None:
        with self._work.write("deleting an account") as connection:
            gone = delete(t.accounts).where(t.accounts.c.id == account_id)
            if connection.execute(gone).rowcount == 0:
                raise NotFound(f"there is no account {account_id}")
