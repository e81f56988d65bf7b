"""Episodes and notices: a part of the registry contract."""

from __future__ import annotations

from functools import partial

import pytest

from shared.ports import Conflict, NotFound, Registry
from shared.times import HOUR, MINUTE, Millis
from tests.contracts.processes import in_threads
from tests.contracts.registry_made import episode, notice


class RegistryTold:
    def test_an_episode_is_replaced_by_its_id(self, registry: Registry) -> None:
        registry.episodes.put(episode("e1", figures={"core_c": 66.8}, holds={"since": 5}))
        worse = episode(
            "e1", severity="urgent", state="snoozed", worsened_at=Millis(2), acknowledged_at=Millis(3),
            acknowledged_by="ann", snoozed_until=Millis(4), clear_since=Millis(5), figures={"core_c": None}, holds={},
        )  # fmt: skip
        registry.episodes.put(worse)
        assert registry.episodes.get("e1") == worse
        with pytest.raises(NotFound):
            registry.episodes.get("nope")

    def test_one_unresolved_episode_stands_for_one_matter(self, registry: Registry) -> None:
        registry.episodes.put(episode("e1"))
        with pytest.raises(Conflict, match="e1"):
            registry.episodes.put(episode("e2", state="acknowledged"))
        for id_, other in (
            ("a", {"kind": "cool_pile"}),
            ("b", {"pile_id": "p2"}),
            ("c", {"subject": "P1"}),
            ("d", {"site": "hill"}),
        ):
            registry.episodes.put(episode(id_, **other))
        registry.episodes.put(
            episode("e1", state="resolved", resolved_at=Millis(9), resolved_reason="turned")
        )
        registry.episodes.put(episode("e2"))
        with pytest.raises(Conflict, match="e2"):
            registry.episodes.put(episode("e1"))
        assert registry.episodes.get("e1").state == "resolved"

    def test_an_episode_of_the_service_stands_alone_too(self, registry: Registry) -> None:
        service = partial(episode, kind="service_trouble", site=None, pile_id=None, subject="ingest")
        registry.episodes.put(service("e1"))
        with pytest.raises(Conflict):
            registry.episodes.put(service("e2"))
        registry.episodes.put(service("e3", subject="watch"))

    def test_threads_open_one_episode_of_a_matter(self, registry: Registry) -> None:
        def put(id_: str) -> bool:
            try:
                registry.episodes.put(episode(id_))
            except Conflict:
                return False
            return True

        assert sorted(in_threads(*(partial(put, id_) for id_ in "abcd"))) == [False, False, False, True]
        assert len(registry.episodes.unresolved()) == 1

    def test_unresolved_episodes_come_by_opening_and_all_of_them_newest_first(
        self, registry: Registry
    ) -> None:
        for number, id_ in enumerate(["c", "a", "d", "b"]):
            state = "resolved" if id_ == "d" else "open"
            registry.episodes.put(
                episode(
                    id_,
                    opened_at=Millis(number // 2),
                    subject=id_,
                    state=state,
                    pile_id="p1" if id_ < "c" else None,
                )
            )
        assert [e.id for e in registry.episodes.unresolved()] == ["a", "c", "b"]
        assert [e.id for e in registry.episodes.unresolved("p1")] == ["a", "b"]
        of_many = registry.episodes.unresolved_of(["p1", "p2"])
        assert {pile: [e.id for e in found] for pile, found in of_many.items()} == {
            "p1": ["a", "b"],
            "p2": [],
        }
        assert [e.id for e in registry.episodes.all()] == ["d", "b", "c", "a"]
        assert [e.id for e in registry.episodes.all(limit=2)] == ["d", "b"]
        assert [e.id for e in registry.episodes.all(after="b", limit=2)] == ["c", "a"]
        assert [e.id for e in registry.episodes.all(pile_id="p1", kind="turn_due")] == ["b", "a"]
        assert registry.episodes.all(kind="cooled") == []

    # the outbox

    def test_a_notice_is_put_once(self, registry: Registry) -> None:
        whole = notice(
            "n1", pile_id="p1", peg="K-01", site="larkfield", figures={"core_c": 66.8}, links={"done": "/d"},
            state="held", not_before=Millis(9), tries=2, next_try_at=Millis(3), last_error="450 later",
        )  # fmt: skip
        assert registry.notices.put(whole)
        assert not registry.notices.put(notice("n1", title="another"))
        assert registry.notices.get("n1") == whole
        with pytest.raises(NotFound):
            registry.notices.get("nope")

    def test_a_claim_takes_what_is_due_oldest_first_and_leases_it(self, registry: Registry) -> None:
        states = {
            "b": {"at": 2}, "a": {"at": 3}, "later": {"at": 1, "next_try_at": HOUR + 1}, "now": {"at": 1, "next_try_at": HOUR},
            "held": {"at": 1, "state": "held", "not_before": HOUR + 1}, "over": {"at": 4, "state": "held", "not_before": HOUR},
            "sent": {"at": 1, "state": "sent"}, "failed": {"at": 1, "state": "failed"},
            "expired": {"at": 1, "state": "expired"}, "withheld": {"at": 1, "state": "withheld"},
            "both": {"at": 1, "next_try_at": 5, "not_before": HOUR + 1},
        }  # fmt: skip
        for id_, fields in states.items():
            registry.notices.put(notice(id_, **fields))  # type: ignore[arg-type]  # a table of mixed fields
        claimed = registry.notices.claim(Millis(HOUR), MINUTE, 3)
        assert [one.id for one in claimed] == ["now", "b", "a"]
        assert {(one.state, one.leased_until) for one in claimed} == {("sending", HOUR + MINUTE)}
        assert registry.notices.get("b") == claimed[1]
        assert [one.id for one in registry.notices.claim(Millis(HOUR), MINUTE, 10)] == ["over"]
        assert registry.notices.claim(Millis(HOUR), MINUTE, 10) == []

    def test_a_lease_that_ran_out_is_claimed_again(self, registry: Registry) -> None:
        registry.notices.put(notice("n1"))
        registry.notices.claim(Millis(HOUR), MINUTE, 1)
        assert registry.notices.claim(Millis(HOUR + MINUTE - 1), MINUTE, 1) == []
        assert [one.id for one in registry.notices.claim(Millis(HOUR + MINUTE), MINUTE, 1)] == ["n1"]
        registry.notices.change("n1", state="sent", sent_at=Millis(HOUR + MINUTE), leased_until=None)
        assert registry.notices.claim(Millis(99 * HOUR), MINUTE, 1) == []

    def test_a_retry_waits_for_its_time(self, registry: Registry) -> None:
        registry.notices.put(notice("n1"))
        registry.notices.claim(Millis(HOUR), MINUTE, 1)
        changed = registry.notices.change(
            "n1",
            state="waiting",
            tries=1,
            next_try_at=Millis(2 * HOUR),
            leased_until=None,
            last_error="421 busy",
        )
        assert (changed.tries, changed.last_error) == (1, "421 busy")
        assert registry.notices.next_due() == 2 * HOUR
        assert registry.notices.claim(Millis(2 * HOUR - 1), MINUTE, 1) == []
        assert len(registry.notices.claim(Millis(2 * HOUR), MINUTE, 1)) == 1

    def test_a_clock_put_back_does_not_hold_a_notice_up(self, registry: Registry) -> None:
        registry.notices.put(notice("n1", at=5 * HOUR))
        assert len(registry.notices.claim(Millis(4 * HOUR), MINUTE, 1)) == 1

    def test_the_next_due_time_covers_waiting_held_and_leased(self, registry: Registry) -> None:
        assert registry.notices.next_due() is None
        registry.notices.put(notice("held", state="held", not_before=Millis(9 * HOUR)))
        assert registry.notices.next_due() == 9 * HOUR
        registry.notices.put(notice("n1", at=HOUR))
        due = registry.notices.next_due()
        assert due is not None
        assert due <= HOUR
        registry.notices.claim(Millis(HOUR), MINUTE, 1)
        assert registry.notices.next_due() == HOUR + MINUTE
        registry.notices.change("n1", state="failed", leased_until=None)
        registry.notices.change("held", state="expired")
        assert registry.notices.next_due() is None

    def test_notices_are_listed_newest_first_and_by_episode_in_order(self, registry: Registry) -> None:
        registry.notices.put(notice("b", 2, pile_id="p1"))
        registry.notices.put(notice("a", 2, kind="cool_pile"))
        registry.notices.put(notice("c", 1, person_id="ben", episode_id="e2"))
        assert [one.id for one in registry.notices.all()] == ["b", "a", "c"]
        assert [one.id for one in registry.notices.all(after="b", limit=1)] == ["a"]
        assert [one.id for one in registry.notices.all(pile_id="p1")] == ["b"]
        assert [one.id for one in registry.notices.all(kind="turn_due")] == ["b", "c"]
        assert [one.id for one in registry.notices.all(person_id="ben")] == ["c"]
        assert [one.id for one in registry.notices.of_episode("e1")] == ["a", "b"]
