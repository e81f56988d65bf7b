"""Sites, piles, turns, notes, and the version that counts facts: a part of the registry contract."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import pytest

from shared.piles import FieldNote, Pile, Turn
from shared.ports import Conflict, NotFound, Registry, StorageError
from shared.probes import Calibration
from shared.times import Millis
from tests.contracts.registry_made import HILL, YARD, pile, placement


class RegistryFacts:
    # sites and piles

    def test_sites_come_by_slug_and_are_there_once(self, registry: Registry) -> None:
        registry.sites.add(HILL)
        assert registry.sites.all() == [HILL, YARD]
        assert registry.sites.get("hill") == HILL
        with pytest.raises(Conflict):
            registry.sites.add(HILL)
        with pytest.raises(NotFound, match="valley"):
            registry.sites.get("valley")

    def test_a_pile_comes_back_as_it_was(self, registry: Registry) -> None:
        whole = pile(
            "p9", "K-09", 5, finished_at=Millis(7), volume_l=900.5, kind="windrow",
            rule_ids=("us-503-pfrp-windrow", "three-turns"), guide_id="usual", mix={"goal": {"c_to_n": 30}, "n": [1, None]},
        )  # fmt: skip
        registry.piles.add(whole)
        assert registry.piles.get("p9") == whole
        assert isinstance(registry.piles.get("p9").rule_ids, tuple)
        assert registry.piles.get("p1").mix is None

    def test_a_peg_belongs_to_one_open_pile_of_a_site(self, registry: Registry) -> None:
        with pytest.raises(Conflict, match="K-01"):
            registry.piles.add(pile("p3", "K-01", 50))
        registry.sites.add(HILL)
        registry.piles.add(pile("h1", "K-01", site="hill"))
        registry.piles.change("p1", finished_at=Millis(40))
        registry.piles.add(pile("p3", "K-01", 50))
        with pytest.raises(Conflict, match="K-01"):
            registry.piles.change("p1", finished_at=None)
        with pytest.raises(Conflict, match="K-02"):
            registry.piles.change("p3", peg="K-02")
        assert registry.piles.get("p3").peg == "K-01"

    def test_a_pile_needs_its_site(self, registry: Registry) -> None:
        with pytest.raises(NotFound, match="valley"):
            registry.piles.add(pile("p3", "K-03", site="valley"))
        with pytest.raises(Conflict):
            registry.piles.add(pile("p1", "K-03"))

    def test_a_peg_leads_to_the_open_pile_else_to_the_one_finished_last(self, registry: Registry) -> None:
        registry.piles.add(pile("old", "K-05", 1, finished_at=Millis(30)))
        registry.piles.add(pile("older", "K-05", 2, finished_at=Millis(20)))
        found = registry.piles.by_peg("larkfield", "K-05")
        assert found is not None
        assert found.id == "old"
        registry.piles.add(pile("now", "K-05", 0))
        found = registry.piles.by_peg("larkfield", "K-05")
        assert found is not None
        assert found.id == "now"
        assert registry.piles.by_peg("larkfield", "K-77") is None
        assert registry.piles.by_peg("hill", "K-05") is None

    def test_piles_come_by_site_peg_and_time(self, registry: Registry) -> None:
        registry.sites.add(HILL)
        registry.piles.add(pile("x", "K-02", 90, finished_at=Millis(99)))
        registry.piles.add(pile("h", "A-01", site="hill"))
        assert [p.id for p in registry.piles.all()] == ["h", "p1", "p2", "x"]
        assert [p.id for p in registry.piles.all(site="larkfield")] == ["p1", "p2", "x"]
        assert [p.id for p in registry.piles.all(open_only=True)] == ["h", "p1", "p2"]

    def test_only_fields_of_a_pile_can_be_changed(self, registry: Registry) -> None:
        changed: Pile = registry.piles.change("p1", volume_l=750.0, rule_ids=("three-turns",))
        assert changed == registry.piles.get("p1")
        assert (changed.volume_l, changed.rule_ids) == (750.0, ("three-turns",))
        with pytest.raises(StorageError, match="colour"):
            registry.piles.change("p1", colour="red")
        with pytest.raises(StorageError, match="id"):
            registry.piles.change("p1", id="p7")
        with pytest.raises(NotFound):
            registry.piles.change("nope", volume_l=1.0)

    def test_turns_and_notes_come_by_time(self, registry: Registry) -> None:
        late, early = (
            Turn("t1", "p1", Millis(9), note="steam", by="ann"),
            Turn("t2", "p1", Millis(3), "detected", "proposed"),
        )
        registry.piles.add_turn(late)
        registry.piles.add_turn(early)
        assert registry.piles.turns("p1") == [early, late]
        assert registry.piles.change_turn("t2", state="confirmed").counts
        assert registry.piles.turns("p2") == []
        notes = [
            FieldNote("n2", "p1", "hand_reading", Millis(8), figures={"celsius": 61.5, "depth_cm": 45}),
            FieldNote("n1", "p1", "smell", Millis(2), "faint", {"smell": "ammonia", "smoke": False}, "ann"),
        ]
        for note in notes:
            registry.piles.add_note(note)
        assert registry.piles.notes("p1") == notes[::-1]
        many = [*(f"none-{number}" for number in range(1200)), "p1", "p2"]
        assert registry.piles.turns_of(many)["p1"] == registry.piles.turns("p1")
        assert registry.piles.notes_of(many)["p1"] == notes[::-1]
        assert registry.piles.turns_of(many).keys() == set(many)
        with pytest.raises(NotFound):
            registry.piles.add_turn(Turn("t3", "nope", Millis(1)))
        with pytest.raises(NotFound):
            registry.piles.add_note(FieldNote("n3", "nope", "remark", Millis(1)))
        with pytest.raises(Conflict):
            registry.piles.add_turn(late)
        with pytest.raises(NotFound):
            registry.piles.change_turn("nope", note="x")

    def test_a_photo_belongs_to_a_note(self, registry: Registry) -> None:
        registry.piles.add_note(FieldNote("n1", "p1", "photo", Millis(2)))
        with pytest.raises(NotFound):
            registry.piles.photo("n1")
        jpeg = bytes(range(256)) * 500
        registry.piles.save_photo("n1", b"first try")
        registry.piles.save_photo("n1", jpeg)
        assert registry.piles.photo("n1") == jpeg
        with pytest.raises(NotFound):
            registry.piles.save_photo("nope", jpeg)

    # the version

    def test_the_version_grows_with_every_fact_and_with_nothing_else(self, registry: Registry) -> None:
        seen = [registry.version()]

        def grew() -> bool:
            seen.append(registry.version())
            return seen[-1] > seen[-2]

        probe = registry.probes.heard("larkfield", "P1", Millis(1), {})
        registry.probes.change(probe.id, note="x")
        registry.memory.set("a", "b")
        registry.ping()
        assert not grew()
        facts: list[Callable[[], object]] = [
            partial(registry.sites.add, HILL),
            partial(registry.piles.add, pile("p3", "K-03")),
            partial(registry.piles.change, "p3", volume_l=3.0),
            partial(registry.piles.add_turn, Turn("t1", "p1", Millis(1))),
            partial(registry.piles.change_turn, "t1", note="x"),
            partial(registry.piles.add_note, FieldNote("n1", "p1", "remark", Millis(1))),
            partial(registry.probes.place, placement("a", 0)),
            partial(registry.probes.change_placement, "a", position="top"),
            partial(registry.probes.calibrate, Calibration("c1", "larkfield", "P1", "45", 0.1, Millis(1))),
        ]
        for fact in facts:
            fact()
            assert grew(), fact

    def test_a_refused_fact_leaves_the_version_alone(self, registry: Registry) -> None:
        before = registry.version()
        with pytest.raises(Conflict):
            registry.piles.add(pile("p3", "K-01"))
        assert registry.version() == before
