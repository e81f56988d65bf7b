"""A year-sized file thinned by the command itself: ``python -m tests.keeping.year [PROBES [ROUNDS [FOLDER]]]``.

20 probes of three depths at 10 minutes, one batch a probe for 60 days, six batches after another: simulated piles with
noise, gaps and pulled-out probes. Then `turnbell thin` to an hour, `turnbell vacuum` and `turnbell vacuum --rebuild`, each a process of its own.
Every batch must say the same as before to the last digit, and the sums must hold on the kept readings too.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from deploy.house import House, open_house
from shared.pile_model.field import FieldRecord, field_records
from shared.piles import Pile, Placement, Site, Turn
from shared.put_away import PUT_AWAY
from shared.readings import Reading, SensorKey
from shared.settings import Settings
from shared.stores import READINGS_FILE
from shared.times import DAY, Millis, Span, SystemClock
from tests.keeping.aged_yard import sums

BATCH_DAYS, AGE_DAYS = 60, 40
AT_ONCE = 2_000
CONFIG = "[keeping]\nhourly_after_days = 30\n"


@dataclass(frozen=True)
class Ran:
    seconds: float
    processor_s: float
    memory_mib: float
    output: str

    def __str__(self) -> str:
        return f"{self.seconds:.0f} s by the clock, {self.processor_s:.0f} s of processor, {self.memory_mib:.0f} MiB"


def turnbell(*arguments: str, log: Path) -> Ran:
    """One command in a process of its own; it must end with 0."""
    began = time.monotonic()
    with log.open("wb") as output:
        process = subprocess.Popen(
            [sys.executable, "-m", "deploy", *arguments], stdout=output, stderr=subprocess.STDOUT
        )
        _, status, used = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    assert process.returncode == 0, log.read_text("utf-8")
    took = time.monotonic() - began
    return Ran(took, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024, log.read_text("utf-8"))


def lay_down(house: House, probes: int, rounds: int) -> int:
    """Gives how many readings there are."""
    records = [
        record
        for number in range(0, probes, 2)
        for record in field_records("caged" if number % 4 else "windrow", min(2, probes - number), BATCH_DAYS, 77 + number)
    ]  # fmt: skip
    house.registry.sites.add(Site("yard", "Larkfield Yard", "Europe/Dublin"))
    rules = tuple(sorted(house.catalogue.rules)[:4])
    for number in range(rounds):
        built = Millis(SystemClock().now() - (AGE_DAYS + (rounds - number) * BATCH_DAYS) * DAY)
        turned = records[number % probes :] + records[: number % probes]
        for probe, record in enumerate(turned):
            _batch(
                house,
                f"b{number}-{probe}",
                f"P{probe}",
                Span(built, Millis(built + BATCH_DAYS * DAY)),
                record,
                rules,
            )
        _heat(house, built, turned)
    return house.readings.count()


def _batch(
    house: House, id_: str, probe: str, span: Span, record: FieldRecord, rules: tuple[str, ...]
) -> None:
    with house.registry.begin() as tx:
        tx.piles.add(Pile(id_, "yard", probe.replace("P", "K-"), span.start, span.end, rule_ids=rules))
        tx.probes.place(Placement(f"w{id_}", "yard", probe, id_, span, "core"))
        for turn, (at, _) in enumerate(record.turns):
            tx.piles.add_turn(Turn(f"t{id_}-{turn}", id_, Millis(span.start + at)))


def _heat(house: House, built: Millis, records: list[FieldRecord]) -> None:
    """As it comes in: all sensors, instant by instant."""
    keys = [
        SensorKey("yard", f"P{probe}", f"{depth:g}")
        for probe, one in enumerate(records)
        for depth in one.curves
    ]
    curves = [curve for record in records for curve in record.curves.values()]
    at = np.concatenate([times + built + number * 997 for number, (times, _) in enumerate(curves)])
    owner = np.repeat(np.arange(len(curves)), [len(times) for times, _ in curves])
    celsius = np.concatenate([values for _, values in curves])
    order = np.argsort(at, kind="stable")
    for start in range(0, len(order), AT_ONCE):
        some = order[start : start + AT_ONCE]
        house.readings.append(
            [
                Reading(keys[who], Millis(when), value, Millis(when))
                for who, when, value in zip(
                    owner[some].tolist(), at[some].tolist(), celsius[some].tolist(), strict=True
                )
            ]
        )


def said(house: House) -> dict[str, str]:
    """What every batch says of its finish."""
    reports = house.book.closed_reports(house.registry.piles.all())
    return {id_: report.model_dump_json() for id_, report in reports.items()}


def summed(house: House) -> dict[str, list[object]]:
    """The sums of every batch, worked out from the readings that are there."""
    reports = house.book.closed_reports(house.registry.piles.all())
    return {id_: sums(report) for id_, report in reports.items()}


def size_mb(data: Path) -> float:
    return sum(file.stat().st_size for file in data.glob(f"{READINGS_FILE}*")) / 1e6


def play(folder: Path, probes: int, rounds: int) -> None:
    data, config, log = folder / "data", folder / "turnbell.toml", folder / "log"
    config.write_text(CONFIG, "utf-8")
    began = time.monotonic()
    house = open_house(data, Settings(), create=True)
    count = lay_down(house, probes, rounds)
    print(
        f"laid down: {count} readings of {3 * probes} sensors, {probes * rounds} batches, in {time.monotonic() - began:.0f} s"
    )
    before, exact = said(house), summed(house)
    house.close()
    print(f"readings file: {size_mb(data):.0f} MB")
    told = ["--data", str(data), "--config", str(config)]
    ran = turnbell("thin", *told, log=log)
    print(f"turnbell thin: {ran}; {ran.output.splitlines()[-1]}")
    print(f"readings file: {size_mb(data):.0f} MB")
    for how in ([], ["--rebuild"]):
        ran = turnbell("vacuum", *how, *told, log=log)
        print(f"turnbell vacuum{''.join(f' {word}' for word in how)}: {ran}")
        print(f"readings file: {size_mb(data):.0f} MB")
    house = open_house(data, Settings())
    print(f"kept: {house.readings.count()} readings, {house.readings.count() / count:.0%}")
    differ = [id_ for id_, report in said(house).items() if report != before[id_]]
    house.close()
    house = open_house(data, Settings())
    for id_ in before:
        house.registry.memory.set(PUT_AWAY + id_, "{}")
    odd = [id_ for id_, found in summed(house).items() if found != exact[id_]]
    house.close()
    print(
        f"batches whose report differs: {len(differ)} of {len(before)}; whose sums over the kept readings do: {len(odd)}"
    )
    print(f"load average {os.getloadavg()[0]:.0f}")
    assert not differ + odd, (differ, odd)


def main(arguments: list[str]) -> None:
    probes, rounds = (int(given) for given in (*arguments[:2], *("20", "6")[len(arguments[:2]) :]))
    if len(arguments) > 2:
        Path(arguments[2]).mkdir()
        play(Path(arguments[2]), probes, rounds)
        return
    with TemporaryDirectory(prefix="turnbell-year-") as name:
        play(Path(name), probes, rounds)


if __name__ == "__main__":
    main(sys.argv[1:])
