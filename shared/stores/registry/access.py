"""Who may come in: bearer tokens (as digests) and the broker credentials of probes (as hashes)."""

from __future__ import annotations

from sqlalchemy import delete, select, update

from shared.people import Token
from shared.ports import Conflict, NotFound
from shared.stores.registry import tables as t
from shared.stores.registry.rows import Shape, upsert
from shared.stores.registry.work import Work
from shared.times import Millis

TOKEN = Shape(Token, t.tokens, "token")


class SqlAccess:
    def __init__(self, work: Work) -> None:
        self._work = work

    def add_token(self, token: Token) -> None:
        with self._work.write("adding a token") as connection:
            TOKEN.insert(connection, token)

    def token_by_digest(self, digest: str) -> Token | None:
        with self._work.read("reading a token") as connection:
            return TOKEN.find(connection, t.tokens.c.digest == digest)

    def touch(self, token_id: str, at: Millis) -> None:
        used = update(t.tokens).where(t.tokens.c.id == token_id).values(last_used_at=at)
        with self._work.write("noting a token's use") as connection:
            if connection.execute(used).rowcount == 0:
                raise NotFound(f"there is no token {token_id}")

    def tokens(self) -> list[Token]:
        """By the time they were made."""
        with self._work.read("reading tokens") as connection:
            return TOKEN.listed(connection, TOKEN.query(order=["created_at", "id"]))

    def revoke(self, token_id: str) -> None:
        with self._work.write("revoking a token") as connection:
            if connection.execute(delete(t.tokens).where(t.tokens.c.id == token_id)).rowcount == 0:
                raise NotFound(f"there is no token {token_id}")

    def enrol(self, site: str, probe: str, username: str, password_hash: str, at: Millis) -> None:
        c = t.credentials.c
        row = {"site": site, "probe": probe, "username": username, "password_hash": password_hash, "at": at}
        taken = select(c.probe).where(c.username == username, (c.site != site) | (c.probe != probe))
        with self._work.write(f"enrolling probe {site}/{probe}") as connection:
            if connection.execute(taken).first() is not None:
                raise Conflict(f"the name {username} belongs to another probe")
            upsert(connection, t.credentials, row, ("site", "probe"))

    def credentials(self) -> list[tuple[str, str, str, str]]:
        """By site, probe."""
        c = t.credentials.c
        query = select(c.site, c.probe, c.username, c.password_hash).order_by(c.site, c.probe)
        with self._work.read("reading credentials") as connection:
            return [
                (row.site, row.probe, row.username, row.password_hash) for row in connection.execute(query)
            ]
