"""Probes, placements and calibrations: a part of the registry contract."""

from __future__ import annotations

from functools import partial

import pytest

from shared.ports import Conflict, NotFound, Registry, StorageError
from shared.probes import Calibration
from shared.times import HOUR, Millis, Span
from tests.contracts.processes import in_threads
from tests.contracts.registry_made import HILL, pile, placement


class RegistryProbes:
    def test_a_probe_that_nobody_registered_is_noted(self, registry: Registry) -> None:
        probe = registry.probes.heard("valley", "P7", Millis(100), {"battery_percent": 87.0, "repeats": 2})
        assert (probe.site, probe.name, probe.first_heard_at, probe.last_heard_at) == (
            "valley",
            "P7",
            100,
            100,
        )
        assert registry.probes.get(probe.id) == registry.probes.named("valley", "P7") == probe
        assert registry.probes.named("valley", "P8") is None

    def test_many_probes_asked_for_at_once_are_those_asked_for_one_by_one(self, registry: Registry) -> None:
        for site, name in (("larkfield", "P1"), ("larkfield", "P2"), ("valley", "P1")):
            registry.probes.heard(site, name, Millis(100), {})
        asked = [("valley", "P1"), ("larkfield", "P2"), ("valley", "P2"), ("nowhere", "P1")]
        found = registry.probes.named_many(asked)
        assert found == {one: probe for one in asked if (probe := registry.probes.named(*one)) is not None}
        assert set(found) == {("valley", "P1"), ("larkfield", "P2")}
        assert registry.probes.named_many([]) == {}

    def test_the_last_word_of_a_probe_never_goes_back_and_repeats_add_up(self, registry: Registry) -> None:
        registry.probes.heard(
            "larkfield", "P1", Millis(100), {"repeats": 2, "online": True, "interval_ms": 600_000}
        )
        probe = registry.probes.heard(
            "larkfield", "P1", Millis(40), {"repeats": 3, "differing_repeats": 1, "rssi_dbm": -91.0}
        )
        assert (probe.first_heard_at, probe.last_heard_at) == (40, 100)
        assert (probe.repeats, probe.differing_repeats, probe.rssi_dbm) == (5, 1, -91.0)
        assert (probe.online, probe.interval_ms) == (True, 600_000)
        with pytest.raises(StorageError, match="shoe_size"):
            registry.probes.heard("larkfield", "P1", Millis(1), {"shoe_size": 44})
        with pytest.raises(StorageError, match="last_heard_at"):
            registry.probes.heard("larkfield", "P1", Millis(1), {"last_heard_at": 44})

    def test_many_threads_that_hear_one_probe_make_one_of_it(self, registry: Registry) -> None:
        def hear(start: int) -> None:
            for at in range(start, start + 10):
                registry.probes.heard("larkfield", "P1", Millis(at), {"repeats": 1})

        in_threads(*(partial(hear, start) for start in (1, 101, 201, 301)))
        (probe,) = registry.probes.all("larkfield")
        assert (probe.repeats, probe.first_heard_at, probe.last_heard_at) == (40, 1, 310)

    def test_probes_come_by_site_and_name(self, registry: Registry) -> None:
        for site, name in (("larkfield", "P2"), ("hill", "P3"), ("larkfield", "P1")):
            registry.probes.heard(site, name, Millis(1), {})
        assert [(p.site, p.name) for p in registry.probes.all()] == [
            ("hill", "P3"),
            ("larkfield", "P1"),
            ("larkfield", "P2"),
        ]
        assert [p.name for p in registry.probes.all("larkfield")] == ["P1", "P2"]

    def test_a_probe_can_be_changed_but_not_renamed(self, registry: Registry) -> None:
        probe = registry.probes.heard("larkfield", "P1", Millis(1), {})
        changed = registry.probes.change(probe.id, interval_ms=60_000, interval_fixed=True, note="loose cap")
        assert (changed.interval_ms, changed.interval_fixed, changed.note) == (60_000, True, "loose cap")
        with pytest.raises(Conflict, match="readings stand under"):
            registry.probes.change(probe.id, name="P9")

    # placements

    @pytest.mark.parametrize(
        ("span", "free"),
        [((0, 100), True), ((100, 101), False), ((150, 160), False), ((50, None), False), ((0, 101), False),
         ((199, None), False), ((200, None), True), ((150, 150), False), ((100, 100), True)],
    )  # fmt: skip
    def test_a_probe_is_in_one_place_at_a_time(
        self, registry: Registry, span: tuple[int, int | None], free: bool
    ) -> None:
        registry.probes.place(placement("a", 100, 200))
        second = placement("b", *span, pile_id="p2")
        if free:
            registry.probes.place(second)
            assert registry.probes.placement("b") == second
        else:
            with pytest.raises(Conflict, match="K-01"):
                registry.probes.place(second)
            with pytest.raises(NotFound):
                registry.probes.placement("b")

    def test_other_probes_and_other_sites_do_not_stand_in_the_way(self, registry: Registry) -> None:
        registry.sites.add(HILL)
        registry.piles.add(pile("h1", "K-01", site="hill"))
        registry.probes.place(placement("a", 0))
        registry.probes.place(placement("b", 0, probe="P2"))
        registry.probes.place(placement("c", 0, site="hill", pile_id="h1"))
        assert [p.id for p in registry.probes.placements(probe="P1")] == ["a", "c"]

    def test_a_probe_can_be_moved_after_the_fact(self, registry: Registry) -> None:
        registry.probes.place(placement("a", 0))
        with pytest.raises(Conflict):
            registry.probes.place(placement("b", 500, pile_id="p2"))
        moved = registry.probes.change_placement("a", span=Span(Millis(0), Millis(500)), zone="edge")
        assert moved == registry.probes.placement("a")
        registry.probes.place(placement("b", 500, pile_id="p2"))
        with pytest.raises(Conflict):
            registry.probes.change_placement("a", span=Span(Millis(0), Millis(501)))
        assert registry.probes.placement("a").span.end == 500
        assert [p.id for p in registry.probes.placements(pile_id="p2")] == ["b"]
        assert [p.id for p in registry.probes.placements(site="larkfield", probe="P1")] == ["a", "b"]

    def test_a_deleted_placement_frees_its_probe(self, registry: Registry) -> None:
        registry.probes.place(placement("a", 0))
        before = registry.version()
        registry.probes.delete_placement("a")
        assert registry.version() > before
        assert registry.probes.placements() == []
        registry.probes.place(placement("b", 0, pile_id="p2"))
        with pytest.raises(NotFound):
            registry.probes.delete_placement("a")

    def test_a_placement_needs_its_pile_on_its_site(self, registry: Registry) -> None:
        with pytest.raises(NotFound):
            registry.probes.place(placement("a", 0, pile_id="nope"))
        with pytest.raises(Conflict, match="larkfield"):
            registry.probes.place(placement("a", 0, site="hill"))
        with pytest.raises(NotFound):
            registry.probes.change_placement("nope", position="top")
        registry.probes.place(placement("a", 0))
        with pytest.raises(StorageError, match="shape"):
            registry.probes.change_placement("a", shape="round")

    def test_two_threads_cannot_place_one_probe_twice(self, registry: Registry) -> None:
        def place(id_: str) -> bool:
            try:
                registry.probes.place(placement(id_, 0, pile_id="p1" if id_ < "c" else "p2"))
            except Conflict:
                return False
            return True

        assert sorted(in_threads(*(partial(place, id_) for id_ in "abcd"))) == [False, False, False, True]

    def test_calibrations_come_by_time(self, registry: Registry) -> None:
        later = Calibration("c1", "larkfield", "P1", "45", -0.4, Millis(9 * HOUR), "ice point")
        sooner = Calibration("c2", "larkfield", "P1", "15", 0.25, Millis(HOUR))
        registry.probes.calibrate(later)
        registry.probes.calibrate(sooner)
        assert registry.probes.calibrations("larkfield", "P1") == [sooner, later]
        assert registry.probes.calibrations("larkfield", "P2") == []
        assert registry.probes.calibrations() == [sooner, later]
        with pytest.raises(Conflict):
            registry.probes.calibrate(later)
