"""`turnbell probe simulate`: a probe that is not there, to try everything else with."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import click

from deploy.errors import UserError
from deploy.simulated_probe import FAULTS, Fault, Habits, Sending, messages
from deploy.simulator import ProbePublisher
from ingest.topics import is_name
from shared.times import DAY, HOUR, MINUTE, Millis, SystemClock

LIVE_DAYS = 60
AT_ONCE = 200  # messages under way


@click.command("simulate", short_help="Publish what a probe in a pile would, with its troubles.")
@click.argument("probe_name", metavar="PROBE")
@click.option("--site", required=True, help="Slug of the site.")
@click.option("--mqtt-host", "host", default="127.0.0.1", show_default=True, help="Address of the broker.")
@click.option(
    "--mqtt-port", "port", default=1883, show_default=True, type=click.IntRange(1, 65535), help="Its port."
)
@click.option("--username", help="As `turnbell probe enrol` printed it.")
@click.option(
    "--password", envvar="TURNBELL_PROBE_PASSWORD", help="Better in TURNBELL_PROBE_PASSWORD than here."
)
@click.option(
    "--tls-ca", type=click.Path(dir_okay=False, path_type=Path), help="CA certificate; turns TLS on."
)
@click.option(
    "--days",
    default=3.0,
    show_default=True,
    type=click.FloatRange(0.01, 400),
    help="Of the past, sent at once.",
)
@click.option("--live", is_flag=True, help="Then go on in real time, until Ctrl-C.")
@click.option("--depths", default="15,45,75", show_default=True, help="In cm.")
@click.option(
    "--interval",
    "interval_min",
    default=10.0,
    show_default=True,
    type=click.FloatRange(0.1, 1440),
    help="Minutes between measurements.",
)
@click.option(
    "--sleep",
    default=1,
    show_default=True,
    type=click.IntRange(1, 500),
    help="Measurements kept for one message.",
)
@click.option(
    "--outage-every",
    "outage_every_h",
    type=click.FloatRange(0.1),
    help="Hours between outages; what was measured meanwhile is filled in afterwards.",
)
@click.option(
    "--outage",
    "outage_h",
    default=6.0,
    show_default=True,
    type=click.FloatRange(0.1, 720),
    help="Hours of an outage.",
)
@click.option(
    "--drift",
    "drift_ppm",
    default=0.0,
    show_default=True,
    type=click.FloatRange(-10_000, 10_000),
    help="Parts per million that its clock gains.",
)
@click.option(
    "--fault",
    "faults",
    multiple=True,
    type=click.Choice(FAULTS),
    help="What goes wrong with it; may be given several times.",
)
@click.option(
    "--seed", default=7, show_default=True, type=click.IntRange(0), help="The same seed gives the same probe."
)
@click.option("--print", "print_only", is_flag=True, help="Show the messages instead of publishing them.")
def simulate_command(
    probe_name: str, site: str, host: str, port: int, username: str | None, password: str | None,
    tls_ca: Path | None, days: float, live: bool, depths: str, interval_min: float, sleep: int,
    outage_every_h: float | None, outage_h: float, drift_ppm: float, faults: tuple[Fault, ...], seed: int,
    print_only: bool,
) -> None:  # fmt: skip
    """Publish what PROBE would if it stood in a heating pile: its past at once, as after an outage."""
    for what, name in (("probe", probe_name), ("site", site)):
        if not is_name(name):
            raise UserError(f"a {what}'s name is 1-64 of A-Z a-z 0-9 _ -, which {name!r} is not")
    if (username is None) != (password is None):
        raise UserError("--username and --password go together")
    habits = Habits(
        _depths(depths), round(interval_min * MINUTE), sleep,
        None if outage_every_h is None else round(outage_every_h * HOUR), round(outage_h * HOUR), drift_ppm,
        frozenset(faults), seed,
    )  # fmt: skip
    now = SystemClock().now()
    begin = Millis(now - round(days * DAY))
    end = Millis(now + LIVE_DAYS * DAY) if live else now
    topic = f"turnbell/{site}/{probe_name}/readings"
    sendings = messages(probe_name, habits, begin, end)
    if print_only:
        for one in _in_time(sendings):
            click.echo(f"{topic} {one.payload.decode()}")
        return
    login = None if username is None or password is None else (username, password)
    publisher = ProbePublisher(host, port, site, login=login, tls_ca=tls_ca)
    try:
        count = _publish(publisher, probe_name, sendings)
    finally:
        publisher.close()
    click.echo(f"{count} messages to {topic}")


def _publish(publisher: ProbePublisher, probe: str, sendings: Iterator[Sending]) -> int:
    publisher.online(probe)
    count = 0
    for one in _in_time(sendings):
        publisher.readings(probe, one.payload)
        count += 1
        if publisher.under_way >= AT_ONCE:
            publisher.wait_until_taken()
    publisher.wait_until_taken()
    return count


def _in_time(sendings: Iterator[Sending]) -> Iterator[Sending]:
    """What is past at once, what is to come when it is due."""
    for one in sendings:
        ahead_s = (one.at - SystemClock().now()) / 1000
        if ahead_s > 0:
            time.sleep(ahead_s)
        yield one


def _depths(text: str) -> tuple[float, ...]:
    try:
        depths = tuple(float(part) for part in text.split(","))
    except ValueError:
        raise UserError(f"--depths: {text!r} is not a list of cm such as 15,45,75") from None
    if not all(0 < depth < 200 for depth in depths) or len(set(depths)) != len(depths):
        raise UserError("--depths: each between 0 and 200 cm, and none twice")
    return depths
