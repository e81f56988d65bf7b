"""The service itself: a loop that beats no more, a store that fails, a channel that was given up, a site gone silent.

A whole site's silence is one trouble (a gateway, the network, the power), told once instead of once per probe.
"""

from __future__ import annotations

from collections.abc import Sequence

from alerts.conditions.verdict import Condition, Verdict, known
from alerts.snapshot import ServiceState, Snapshot
from shared.times import HOUR, MINUTE, Millis

LOOP_QUIET_S = 60.0  # a loop leaves a heartbeat every 10 s
STORE_FAILING_S = 60.0
RADIO = "radio"
RADIO_HOLD_MS = 10 * MINUTE  # one word that gets through is no end of the silence


def judge(snapshot: Snapshot) -> Sequence[Verdict]:
    verdicts: list[Verdict] = []
    if snapshot.service is not None:
        verdicts += _loops(snapshot.now, snapshot.service)
        verdicts.append(_store(snapshot.now, snapshot.service))
        verdicts += _channels(snapshot.service)
    if snapshot.pile is None and snapshot.radio is not None:
        verdicts.append(_radio(snapshot))
    return verdicts


def _loops(now: Millis, service: ServiceState) -> list[Verdict]:
    verdicts = []
    for loop, quiet_s in sorted(service.quiet_loops.items()):
        figures = {"part": loop, "since_at": now - round(quiet_s * 1000), "quiet_s": round(quiet_s)}
        if quiet_s >= LOOP_QUIET_S:
            verdicts.append(Verdict("bad", "no_heartbeat", "act", loop, figures))
        elif loop not in service.heard_loops:
            verdicts.append(Verdict("unknown", "not_heard_yet", subject=loop))
        else:
            verdicts.append(Verdict("ok", "beats_again", subject=loop, figures={"part": loop}))
    return verdicts


def _store(now: Millis, service: ServiceState) -> Verdict:
    failing = service.store_failing_s
    if failing is None:
        return Verdict("ok", "store_works", subject="store", figures={"part": "store"})
    if failing < STORE_FAILING_S:
        return Verdict("unknown", "store_fails_for_a_moment", subject="store")
    figures = known(part="store", since_at=now - round(failing * 1000), why=service.store_error or None)
    return Verdict("bad", "store_fails", "act", "store", figures)


def _channels(service: ServiceState) -> list[Verdict]:
    verdicts = []
    for channel in service.channels:
        subject = f"channel {channel.id}"
        figures = known(
            part="channel",
            channel=channel.id,
            channel_kind=channel.kind,
            person=channel.person_id,
            since_at=channel.disabled_at,
            why=channel.disabled_why or None,
        )
        if channel.disabled_at is None:
            verdicts.append(Verdict("ok", "channel_works", subject=subject, figures=figures, quiet=True))
        else:
            verdicts.append(Verdict("bad", "channel_given_up", "act", subject, figures))
    return verdicts


def _radio(snapshot: Snapshot) -> Verdict:
    radio = snapshot.radio
    if radio is None or radio.probes < 2:
        return Verdict("ok", "no_radio_to_judge", subject=RADIO, quiet=True)
    figures = {
        "part": RADIO,
        "probes": radio.probes,
        "since_at": radio.heard_at,
        "last_heard_at": radio.heard_at,
        "silent_h": (snapshot.now - radio.heard_at) / HOUR,
    }
    if snapshot.now >= radio.dark_at:
        return Verdict("bad", "every_probe_silent", "act", RADIO, figures, since=radio.heard_at)
    return Verdict(
        "ok",
        "heard_again",
        subject=RADIO,
        figures=figures,
        look_again_at=radio.dark_at,
        hold_ms=RADIO_HOLD_MS,
    )


CONDITION = Condition(
    "service_trouble",
    ("site", "service"),
    judge,
    close_hold_ms=1 * MINUTE,
    retell_after_ms=1 * HOUR,
)
