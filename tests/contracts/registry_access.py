"""Accounts and the audit log: a part of the registry contract."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import pytest

from shared.accounts import Account
from shared.audit import Deed, check
from shared.ports import Conflict, NotFound, Registry
from shared.times import Millis
from tests.contracts.processes import in_threads

ORLA = Account("a1", "orla", "Orla Fenwick", Millis(5), "manager", password_hash="$argon2id$x")


def deed(number: int, **detail: object) -> Deed:
    return Deed(
        Millis(number),
        "Orla Fenwick",
        "account:a1",
        "piles.change",
        f"p{number}",
        "larkfield",
        "127.0.0.1",
        detail,
    )


class RegistryAccess:
    def test_an_account_comes_back_as_it_was(self, registry: Registry) -> None:
        tam = Account(
            "a2", "tam", "Tam", Millis(6), None, {"larkfield": "helper"}, None, "https://id.example tam-1",
            "SECRET", 7, ("x", "y"), Millis(8), Millis(9),
        )  # fmt: skip
        registry.accounts.add(tam)
        registry.accounts.add(ORLA)
        assert registry.accounts.all() == [ORLA, tam]
        assert registry.accounts.get("a2") == registry.accounts.by_login("tam") == tam
        assert registry.accounts.by_subject("https://id.example tam-1") == tam
        assert registry.accounts.by_login("eve") is None
        changed = registry.accounts.change("a2", recovery=("y",), disabled_at=None)
        assert changed == registry.accounts.get("a2") == replace(tam, recovery=("y",), disabled_at=None)
        for twin in (replace(tam, id="a3"), replace(tam, id="a3", login="tim")):
            with pytest.raises(Conflict):
                registry.accounts.add(twin)
        registry.accounts.delete("a2")
        for gone in (registry.accounts.get, registry.accounts.delete):
            with pytest.raises(NotFound):
                gone("a2")

    def test_the_audit_log_is_a_chain_whoever_writes(self, registry: Registry) -> None:
        in_threads(*(partial(registry.audit.append, deed(number, peg="K-01")) for number in range(4)))
        entries = registry.audit.entries()
        assert [entry.seq for entry in entries] == [1, 2, 3, 4]
        assert check(entries).broken_at is None
        assert check(entries).head == entries[-1].digest
        assert [entry.seq for entry in registry.audit.latest(limit=2)] == [4, 3]
        assert [entry.seq for entry in registry.audit.latest(before=3)] == [2, 1]
        assert [entry.seq for entry in registry.audit.entries(after=2, limit=1)] == [3]

    def test_an_entry_goes_with_the_transaction_that_wrote_it(self, registry: Registry) -> None:
        registry.audit.append(deed(1))

        def fail() -> None:
            with registry.begin() as tx:
                tx.audit.append(deed(2))
                raise RuntimeError

        with pytest.raises(RuntimeError):
            fail()
        assert registry.audit.append(deed(3)).seq == 2
        assert check(registry.audit.entries()).broken_at is None

    def test_every_later_edit_shows(self, registry: Registry) -> None:
        for number in range(5):
            registry.audit.append(deed(number))
        whole = registry.audit.entries()
        forged = replace(whole[2], deed=replace(whole[2].deed, who="Somebody Else"))
        assert check([*whole[:2], forged, *whole[3:]]).broken_at == 3
        assert check([*whole[:2], *whole[3:]]).broken_at == 3
        assert check([whole[1], whole[0], *whole[2:]]).broken_at == 1
        cut = check(whole[:-1])
        assert (cut.broken_at, cut.head != whole[-1].digest) == (None, True)
