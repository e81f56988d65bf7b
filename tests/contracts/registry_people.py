"""People, access, quarantine and memory: a part of the registry contract."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import pytest

from shared.people import Channel, Person, Subscription, Token
from shared.ports import Conflict, NotFound, Registry
from shared.times import HOUR, Millis
from tests.contracts.processes import in_threads
from tests.contracts.registry_made import notice


class RegistryPeople:
    def test_people_come_by_name(self, registry: Registry) -> None:
        ben = Person("ben", "Aaron Ben", "UTC", "fahrenheit", "de", "Mon-Fri 07:00-18:00", "ann")
        registry.people.add(ben)
        assert [person.id for person in registry.people.all()] == ["ben", "ann"]
        assert registry.people.get("ben") == ben
        assert registry.people.change("ben", units="celsius", escalate_to=None) == replace(
            ben, units="celsius", escalate_to=None
        )
        with pytest.raises(Conflict):
            registry.people.add(ben)
        with pytest.raises(NotFound):
            registry.people.get("eve")
        with pytest.raises(NotFound, match="eve"):
            registry.people.change("ben", escalate_to="eve")

    def test_channels_belong_to_a_person(self, registry: Registry) -> None:
        hook = Channel("ann-hook", "ann", "webhook", "http://127.0.0.1:9/", "s3cret")
        registry.people.add_channel(hook)
        assert registry.people.channel("ann-hook") == hook
        assert [channel.id for channel in registry.people.channels("ann")] == ["ann-hook", "ann-mail"]
        assert registry.people.channels("ben") == []
        changed = registry.people.change_channel("ann-hook", disabled_at=Millis(5), disabled_why="410 Gone")
        assert registry.people.channels()[0] == changed
        with pytest.raises(NotFound, match="eve"):
            registry.people.add_channel(Channel("x", "eve", "email", "eve@example.org"))

    def test_subscriptions_come_and_go(self, registry: Registry) -> None:
        all_of_it = Subscription("s1", "ann")
        some = Subscription("s2", "ann", "larkfield", "p1", ("turn_due", "cool_pile"), "act")
        none_of_it = Subscription("s3", "ann", kinds=())
        for subscription in (all_of_it, some, none_of_it):
            registry.people.subscribe(subscription)
        assert registry.people.subscriptions("ann") == [all_of_it, some, none_of_it]
        registry.people.unsubscribe("s1")
        assert registry.people.subscriptions() == [some, none_of_it]
        with pytest.raises(NotFound):
            registry.people.unsubscribe("s1")
        for wrong in (
            Subscription("s4", "eve"),
            Subscription("s4", "ann", "valley"),
            Subscription("s4", "ann", None, "p9"),
        ):
            with pytest.raises(NotFound):
                registry.people.subscribe(wrong)

    def test_a_deleted_channel_sends_nothing_more(self, registry: Registry) -> None:
        for name, state in (("n1", "waiting"), ("n2", "sent"), ("n3", "held")):
            registry.notices.put(notice(name, state=state))
        registry.people.add_channel(Channel("ann-hook", "ann", "webhook", "http://127.0.0.1:9/"))
        registry.notices.put(notice("n4", channel_id="ann-hook"))
        registry.people.delete_channel("ann-mail")
        assert [channel.id for channel in registry.people.channels()] == ["ann-hook"]
        told = {one.id: (one.state, one.reason) for one in registry.notices.all()}
        assert told["n1"] == told["n3"] == ("withheld", "channel_deleted")
        assert (told["n2"][0], told["n4"][0]) == ("sent", "waiting")
        assert [one.id for one in registry.notices.claim(Millis(2 * HOUR), 1000, 10)] == ["n4"]
        with pytest.raises(NotFound):
            registry.people.delete_channel("ann-mail")

    def test_a_deleted_person_leaves_nothing_behind_but_the_record(self, registry: Registry) -> None:
        registry.people.add(Person("ben", "Ben", "UTC", escalate_to="ann"))
        registry.people.subscribe(Subscription("s1", "ann"))
        registry.people.subscribe(Subscription("s2", "ben"))
        registry.notices.put(notice("n1", state="sent"))
        registry.notices.put(notice("n2"))
        registry.people.delete("ann")
        assert [(one.id, one.escalate_to) for one in registry.people.all()] == [("ben", None)]
        assert registry.people.channels() == []
        assert [one.id for one in registry.people.subscriptions()] == ["s2"]
        assert {one.id: one.state for one in registry.notices.all()} == {"n1": "sent", "n2": "withheld"}
        with pytest.raises(NotFound):
            registry.people.delete("ann")

    def test_tokens_are_found_by_their_digest_until_they_are_revoked(self, registry: Registry) -> None:
        token = Token("t1", "phone", "helper", Millis(5), "d1", Millis(99), None, "larkfield", {"turn": "p1"})
        registry.access.add_token(token)
        registry.access.add_token(Token("t0", "desk", "manager", Millis(9), "d0"))
        assert registry.access.token_by_digest("d1") == token
        registry.access.touch("t1", Millis(50))
        assert registry.access.tokens()[0] == replace(token, last_used_at=Millis(50))
        assert [token.id for token in registry.access.tokens()] == ["t1", "t0"]
        with pytest.raises(Conflict):
            registry.access.add_token(replace(token, id="t2"))
        registry.access.revoke("t1")
        assert registry.access.token_by_digest("d1") is None
        for act in (registry.access.revoke, partial(registry.access.touch, at=Millis(1))):
            with pytest.raises(NotFound):
                act("t1")

    def test_a_new_credential_of_a_probe_replaces_the_old_one(self, registry: Registry) -> None:
        registry.access.enrol("larkfield", "P2", "larkfield.P2", "h2", Millis(1))
        registry.access.enrol("larkfield", "P1", "larkfield.P1", "h1", Millis(1))
        registry.access.enrol("larkfield", "P2", "larkfield.P2", "h3", Millis(2))
        assert registry.access.credentials() == [
            ("larkfield", "P1", "larkfield.P1", "h1"),
            ("larkfield", "P2", "larkfield.P2", "h3"),
        ]
        with pytest.raises(Conflict, match=r"larkfield\.P1"):
            registry.access.enrol("larkfield", "P3", "larkfield.P1", "h", Millis(3))

    def test_the_quarantine_keeps_what_could_be_used_later_whole(self, registry: Registry) -> None:
        payload = bytes(range(256)) * 256
        registry.quarantine.put(Millis(5), "t", "r", payload)
        (kept,) = registry.quarantine.all()
        assert (kept.payload, kept.size) == (payload, 65_536)

    def test_the_quarantine_keeps_the_beginning_of_a_message_too_large(self, registry: Registry) -> None:
        payload = bytes(range(256)) * 257
        registry.quarantine.put(Millis(5), "turnbell/larkfield/P1/readings", "no JSON", payload)
        registry.quarantine.put(Millis(6), "half \ud800 and nul \0", "empty", b"")
        empty, long = registry.quarantine.all()
        assert (long.payload, long.size) == (payload[:4096], len(payload))
        assert (long.received_at, long.topic, long.reason) == (5, "turnbell/larkfield/P1/readings", "no JSON")
        assert (empty.payload, empty.size, empty.received_at) == (b"", 0, 6)

    def test_the_quarantine_pages_and_empties(self, registry: Registry) -> None:
        for at in range(7):
            registry.quarantine.put(Millis(at), "t", "r", b"x")
        first = registry.quarantine.all(limit=3)
        assert [kept.received_at for kept in first] == [6, 5, 4]
        second = registry.quarantine.all(before=first[-1].id, limit=3)
        assert [kept.received_at for kept in second] == [3, 2, 1]
        registry.quarantine.remove([kept.id for kept in second] + [10**9])
        assert [kept.received_at for kept in registry.quarantine.all()] == [6, 5, 4, 0]

    def test_the_oldest_leave_the_quarantine(self, registry: Registry) -> None:
        for at in (1, 2, 3, 4, 5, 6):
            registry.quarantine.put(Millis(at), "t", "r", b"x")
        assert registry.quarantine.prune(older_than=Millis(3), keep_at_most=100) == 2
        assert registry.quarantine.prune(older_than=Millis(0), keep_at_most=3) == 1
        assert [kept.received_at for kept in registry.quarantine.all()] == [6, 5, 4]
        assert registry.quarantine.prune(older_than=Millis(0), keep_at_most=3) == 0
        assert registry.quarantine.prune(older_than=Millis(0), keep_at_most=0) == 3

    def test_the_oldest_leave_a_quarantine_that_is_too_large(self, registry: Registry) -> None:
        for at, size in ((1, 100), (2, 10), (3, 60), (4, 40)):
            registry.quarantine.put(Millis(at), "t", "r", b"x" * size)
        assert registry.quarantine.prune(older_than=Millis(0), keep_at_most=9, keep_bytes=110) == 1
        assert registry.quarantine.prune(older_than=Millis(0), keep_at_most=9, keep_bytes=109) == 1
        assert [kept.received_at for kept in registry.quarantine.all()] == [4, 3]

    def test_facts_are_remembered_by_name(self, registry: Registry) -> None:
        assert registry.memory.get("cursor") is None
        registry.memory.set("cursor", "1")
        registry.memory.set("cursor", "2")
        assert registry.memory.get("cursor") == "2"
        for name in ("a_b.1", "a%b.1", "axb.1", "A_B.1"):
            registry.memory.set(name, name)
        assert registry.memory.names("a_b") == {"a_b.1": "a_b.1"}
        assert registry.memory.names("a%") == {"a%b.1": "a%b.1"}

    def test_what_is_set_once_stays(self, registry: Registry) -> None:
        made = in_threads(*(partial(registry.memory.set_once, "secret", f"by {i}") for i in range(4)))
        assert len(set(made)) == 1
        assert registry.memory.set_once("secret", "late") == made[0] == registry.memory.get("secret")

    def test_old_answers_are_forgotten(self, registry: Registry) -> None:
        for at in (1, 2, 3):
            registry.memory.remember(f"k{at}", "turns", "answer", Millis(at))
        assert registry.memory.forget_answers(Millis(3)) == 2
        assert registry.memory.remember("k2", "turns", "anew", Millis(9)) is None
        assert registry.memory.remember("k3", "turns", "anew", Millis(9)) == "answer"

    def test_an_answer_is_given_once_per_scope_and_key(self, registry: Registry) -> None:
        assert registry.memory.remember("k", "turns", "first", Millis(1)) is None
        assert registry.memory.remember("k", "turns", "second", Millis(2)) == "first"
        assert registry.memory.remember("k", "notes", "other", Millis(3)) is None
        answers = in_threads(
            *(partial(registry.memory.remember, "q", "s", str(i), Millis(i)) for i in range(4))
        )
        assert answers.count(None) == 1
