"""A named lease in a table: held by one owner until an instant, then free."""

from __future__ import annotations

from sqlalchemy import Connection, select, update

from shared.stores.line import tables as t
from shared.stores.registry.rows import insert_unless_there


def take_lease(connection: Connection, name: str, owner: str, now: int, length: int) -> bool:
    """Take or keep it; False while another holds it. Call it in a transaction that runs alone."""
    c = t.leases.c
    row = {"name": name, "owner": owner, "until": now + length}
    if insert_unless_there(connection, t.leases, row, ("name",)):
        return True
    held = connection.execute(select(c.owner, c.until).where(c.name == name)).one()
    if held.owner != owner and now < held.until <= now + 10 * length:
        return False
    connection.execute(update(t.leases).where(c.name == name).values(owner=owner, until=now + length))
    return True
