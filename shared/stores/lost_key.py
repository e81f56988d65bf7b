"""The way out when the key of a registry's secrets is lost."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from sqlalchemy import Engine, delete, update

from shared.stores.migrations.upgrade import upgrade
from shared.stores.registry import tables as t
from shared.stores.registry import tables_access as ta
from shared.stores.registry import tables_notices as tn
from shared.stores.registry.engine import FOREIGN, make_engine, trouble
from shared.stores.registry.seal import MARK, NAME
from shared.stores.sqlite_files import BUSY_TIMEOUT_S
from shared.times import Millis


def give_up_secrets(url: str | Path, at: Millis) -> dict[str, int]:
    """After the key is lost: everything that is sealed goes. By kind, how many; such channels are switched off."""
    engine = make_engine(url, BUSY_TIMEOUT_S)
    try:
        upgrade(engine)
        return _give_up(engine, at)
    except FOREIGN as error:
        raise trouble(error, "giving up secrets") from error
    finally:
        engine.dispose()


def _give_up(engine: Engine, at: Millis) -> dict[str, int]:
    account, channel = ta.accounts.c, tn.channels.c
    sealed = channel.target.startswith(MARK) | channel.secret.startswith(MARK)
    off = {"target": "", "secret": None, "disabled_at": at, "disabled_why": "its secret was given up"}
    factors: dict[str, Any] = {"totp_secret": None, "totp_step": 0, "recovery": []}
    with engine.connect().execution_options(turnbell_write=True) as connection, connection.begin():
        gone = {
            "second factors": connection.execute(
                update(ta.accounts).where(account.totp_secret.startswith(MARK)).values(factors)
            ).rowcount,
            "channels": connection.execute(update(tn.channels).where(sealed).values(off)).rowcount,
        }
        connection.execute(delete(t.memory).where(t.memory.c.name == NAME))
    return gone
