"""What every Registry must do. An adapter's test class gives the fixture ``address`` and inherits all of this."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from itertools import chain
from threading import Event

import pytest

from shared.ports import Conflict, NotFound, Registry, StorageError
from shared.times import HOUR, Millis
from tests.contracts.adapters import registry_at
from tests.contracts.child import claim_all, count_up
from tests.contracts.processes import DEADLINE_S, children, in_threads
from tests.contracts.registry_access import RegistryAccess
from tests.contracts.registry_facts import RegistryFacts
from tests.contracts.registry_made import HILL, furnished, notice, pile
from tests.contracts.registry_people import RegistryPeople
from tests.contracts.registry_probes import RegistryProbes
from tests.contracts.registry_told import RegistryTold


class _StoppedHere(Exception):
    pass


class RegistryContract(RegistryFacts, RegistryProbes, RegistryPeople, RegistryAccess, RegistryTold):
    @pytest.fixture
    def registry(self, address: str) -> Iterator[Registry]:
        registry = registry_at(address)
        furnished(registry)
        yield registry
        registry.close()

    # all or nothing

    def test_a_transaction_is_kept_whole(self, registry: Registry, address: str) -> None:
        with registry.begin() as tx:
            tx.sites.add(HILL)
            tx.memory.set("cursor", "5")
            assert tx.memory.get("cursor") == "5"
        other = registry_at(address)
        assert (other.sites.get("hill"), other.memory.get("cursor")) == (HILL, "5")
        other.close()

    def test_an_error_takes_the_whole_transaction_back(self, registry: Registry) -> None:
        before = registry.version()

        def fail_late() -> None:
            with registry.begin() as tx:
                tx.sites.add(HILL)
                tx.memory.set("cursor", "5")
                raise _StoppedHere

        with pytest.raises(_StoppedHere):
            fail_late()
        assert registry.memory.get("cursor") is None
        assert registry.version() == before
        with pytest.raises(NotFound):
            registry.sites.get("hill")

    def test_a_refusal_that_is_caught_leaves_the_rest_of_the_transaction_whole(
        self, registry: Registry
    ) -> None:
        with registry.begin() as tx:
            tx.memory.set("before", "1")
            with pytest.raises(Conflict):
                tx.piles.add(pile("p3", "K-01"))
            with pytest.raises(NotFound):
                tx.piles.get("nope")
            tx.memory.set("after", "2")
        assert registry.memory.names("") == {"after": "2", "before": "1"}

    def test_a_transaction_inside_falls_with_the_one_around_it(self, registry: Registry) -> None:
        def fail_outside() -> None:
            with registry.begin() as outer:
                with outer.begin() as inner:
                    inner.memory.set("inner", "1")
                raise _StoppedHere

        with pytest.raises(_StoppedHere):
            fail_outside()
        assert registry.memory.get("inner") is None

    def test_a_transaction_inside_can_fall_alone(self, registry: Registry) -> None:
        def fail_inside(outer: Registry) -> None:
            with outer.begin() as inner:
                inner.memory.set("inner", "1")
                raise _StoppedHere

        with registry.begin() as outer:
            outer.memory.set("outer", "1")
            with pytest.raises(_StoppedHere):
                fail_inside(outer)
        assert registry.memory.names("") == {"outer": "1"}

    def test_the_registry_itself_joins_its_threads_transaction(self, registry: Registry) -> None:
        def fail_late() -> None:
            with registry.begin():
                registry.memory.set("a", "1")
                assert registry.memory.get("a") == "1"
                raise _StoppedHere

        with pytest.raises(_StoppedHere):
            fail_late()
        assert registry.memory.get("a") is None

    def test_others_see_nothing_of_a_transaction_until_it_ends(self, registry: Registry) -> None:
        written, looked = Event(), Event()

        def write() -> None:
            with registry.begin() as tx:
                tx.memory.set("a", "1")
                written.set()
                assert looked.wait(DEADLINE_S)

        def look() -> str | None:
            assert written.wait(DEADLINE_S)
            found = registry.memory.get("a")
            looked.set()
            return found

        assert in_threads(write, look)[1] is None
        assert registry.memory.get("a") == "1"

    def test_threads_that_read_and_write_in_transactions_lose_no_step(self, registry: Registry) -> None:
        def count() -> None:
            for _ in range(10):
                with registry.begin() as tx:
                    tx.memory.set("number", str(int(tx.memory.get("number") or "0") + 1))

        registry.memory.set("number", "0")
        in_threads(count, count, count)
        assert registry.memory.get("number") == "30"

    # two processes

    def test_two_processes_that_count_together_lose_no_step(self, registry: Registry, address: str) -> None:
        registry.memory.set("number", "0")
        with children((count_up, address, 20), (count_up, address, 20)) as both:
            for child in both:
                child.go()
            assert [child.result() for child in both] == [20, 20]
        assert registry.memory.get("number") == "40"

    def test_two_processes_never_claim_the_same_notice(self, registry: Registry, address: str) -> None:
        with registry.begin() as tx:
            for number in range(60):
                tx.notices.put(notice(f"n{number:02d}", number))
        with children((claim_all, address, HOUR, HOUR), (claim_all, address, HOUR, HOUR)) as both:
            for child in both:
                child.go()
            claimed = [child.result() for child in both]
        assert sorted(claimed[0] + claimed[1]) == [f"n{number:02d}" for number in range(60)]
        assert registry.notices.claim(Millis(HOUR), HOUR, 100) == []

    def test_threads_never_claim_the_same_notice(self, registry: Registry) -> None:
        for number in range(24):
            registry.notices.put(notice(f"n{number:02d}", number))

        def claim() -> list[str]:
            mine: list[str] = []
            while claimed := registry.notices.claim(Millis(HOUR), HOUR, 2):
                mine += [one.id for one in claimed]
            return mine

        claimed = in_threads(claim, claim, claim, claim)
        assert sorted(chain.from_iterable(claimed)) == [f"n{number:02d}" for number in range(24)]

    # health

    def test_a_healthy_registry_answers_a_ping(self, registry: Registry) -> None:
        registry.ping()

    def test_a_closed_registry_says_so(self, address: str) -> None:
        registry = registry_at(address)
        registry.close()
        for act in (
            registry.ping,
            registry.version,
            registry.sites.all,
            partial(registry.memory.set, "a", "1"),
        ):
            with pytest.raises(StorageError, match="closed"):
                act()

    def test_what_is_written_outlives_the_program(self, address: str) -> None:
        first = registry_at(address)
        furnished(first)
        version = first.version()
        first.close()
        second = registry_at(address)
        assert second.piles.get("p1").peg == "K-01"
        assert second.version() == version
        second.close()

    def test_text_that_no_database_takes_is_refused_in_our_words(self, registry: Registry) -> None:
        with pytest.raises(StorageError):
            registry.memory.set("half", "\ud800")
        with pytest.raises(StorageError):
            registry.notices.put(notice("n1", figures={"celsius": float("nan")}))
        with pytest.raises(StorageError):
            registry.piles.change("p1", built_at=2**70)
        registry.memory.set("whole", "°C – 漢字 🔥")
        assert registry.memory.get("whole") == "°C – 漢字 🔥"
