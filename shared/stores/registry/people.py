"""People, the ways to reach them, and what they want to hear."""

from __future__ import annotations

from typing import Any

from sqlalchemy import Connection, delete, select, update

from shared.people import Channel, Person, Subscription
from shared.ports import NotFound
from shared.stores.registry import tables_notices as t
from shared.stores.registry.piles import PILE
from shared.stores.registry.rows import Shape
from shared.stores.registry.seal import Seal, SealedShape, secrets_of_channel
from shared.stores.registry.sites import SITE
from shared.stores.registry.work import Work

PERSON = Shape(Person, t.people, "person")
SUBSCRIPTION = Shape(Subscription, t.subscriptions, "subscription", tuples=("kinds",))


class SqlPeople:
    def __init__(self, work: Work, seal: Seal | None) -> None:
        self._work = work
        self._channel = SealedShape(Channel, t.channels, "channel", seal, secrets_of_channel)

    def add(self, person: Person) -> None:
        with self._work.write(f"adding person {person.id}") as connection:
            if person.escalate_to is not None:
                PERSON.get(connection, person.escalate_to)
            PERSON.insert(connection, person)

    def get(self, person_id: str) -> Person:
        with self._work.read("reading a person") as connection:
            return PERSON.get(connection, person_id)

    def all(self) -> list[Person]:
        with self._work.read("reading people") as connection:
            return PERSON.listed(connection, PERSON.query(order=["name", "id"]))

    def change(self, person_id: str, **fields: Any) -> Person:
        with self._work.write("changing a person") as connection:
            if fields.get("escalate_to") is not None:
                PERSON.get(connection, fields["escalate_to"])
            return PERSON.change(connection, person_id, fields)

    def delete(self, person_id: str) -> None:
        with self._work.write("deleting a person") as connection:
            PERSON.get(connection, person_id)
            channels = select(t.channels.c.id).where(t.channels.c.person_id == person_id)
            _withhold(connection, list(connection.execute(channels).scalars()))
            connection.execute(
                update(t.people).where(t.people.c.escalate_to == person_id).values(escalate_to=None)
            )
            for table in (t.subscriptions, t.channels):
                connection.execute(delete(table).where(table.c.person_id == person_id))
            connection.execute(delete(t.people).where(t.people.c.id == person_id))

    def add_channel(self, channel: Channel) -> None:
        with self._work.write("adding a channel") as connection:
            PERSON.get(connection, channel.person_id)
            self._channel.insert(connection, channel)

    def channel(self, channel_id: str) -> Channel:
        with self._work.read("reading a channel") as connection:
            return self._channel.get(connection, channel_id)

    def channels(self, person_id: str | None = None) -> list[Channel]:
        """By person, in the order they were made."""
        query = self._channel.query(order=["person_id", "id"])
        if person_id is not None:
            query = query.where(t.channels.c.person_id == person_id)
        with self._work.read("reading channels") as connection:
            return self._channel.listed(connection, query)

    def change_channel(self, channel_id: str, **fields: Any) -> Channel:
        with self._work.write("changing a channel") as connection:
            return self._channel.change(connection, channel_id, fields)

    def delete_channel(self, channel_id: str) -> None:
        with self._work.write("deleting a channel") as connection:
            self._channel.get(connection, channel_id)
            _withhold(connection, [channel_id])
            connection.execute(delete(t.channels).where(t.channels.c.id == channel_id))

    def subscribe(self, subscription: Subscription) -> None:
        with self._work.write("adding a subscription") as connection:
            PERSON.get(connection, subscription.person_id)
            if subscription.site is not None:
                SITE.get(connection, subscription.site)
            if subscription.pile_id is not None:
                PILE.get(connection, subscription.pile_id)
            SUBSCRIPTION.insert(connection, subscription)

    def unsubscribe(self, subscription_id: str) -> None:
        gone = delete(t.subscriptions).where(t.subscriptions.c.id == subscription_id)
        with self._work.write("ending a subscription") as connection:
            if connection.execute(gone).rowcount == 0:
                raise NotFound(f"there is no subscription {subscription_id}")

    def subscriptions(self, person_id: str | None = None) -> list[Subscription]:
        """By person, in the order they were made."""
        query = SUBSCRIPTION.query(order=["person_id", "id"])
        if person_id is not None:
            query = query.where(t.subscriptions.c.person_id == person_id)
        with self._work.read("reading subscriptions") as connection:
            return SUBSCRIPTION.listed(connection, query)


def _withhold(connection: Connection, channel_ids: list[str]) -> None:
    """What these channels have not sent yet is not to be sent any more."""
    n = t.notices.c
    unsent = n.channel_id.in_(channel_ids) & n.state.in_(["waiting", "held", "sending"])
    told_no = {"state": "withheld", "reason": "channel_deleted", "due_at": None, "leased_until": None}
    connection.execute(update(t.notices).where(unsent).values(told_no))
