"""Figures of the service in the Prometheus text format."""

from __future__ import annotations

import time
from collections import Counter as Tally
from collections.abc import Iterable, Mapping
from typing import Protocol, runtime_checkable

from prometheus_client import CollectorRegistry, Counter, Histogram, generate_latest
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric
from prometheus_client.exposition import CONTENT_TYPE_LATEST
from prometheus_client.registry import Collector
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.parts import Parts
from shared.loops import BEATS
from shared.ports import StorageError


@runtime_checkable
class HasBacklog(Protocol):
    def backlog(self) -> Mapping[str, int]: ...


class Metrics:
    """One set of figures for one app; also the ASGI middleware's memory."""

    def __init__(self, parts: Parts) -> None:
        self.registry = CollectorRegistry()
        self.requests = Counter(
            "turnbell_http_requests",
            "Answers by route, method and status",
            ("route", "method", "status"),
            registry=self.registry,
        )
        self.seconds = Histogram(
            "turnbell_http_seconds", "Time to answer by route", ("route",), registry=self.registry
        )
        self.registry.register(_Service(parts))

    def exposition(self) -> tuple[bytes, str]:
        return generate_latest(self.registry), CONTENT_TYPE_LATEST


class _Service(Collector):
    """Asked at each scrape."""

    def __init__(self, parts: Parts) -> None:
        self._parts = parts

    def describe(self) -> Iterable[Metric]:
        return []

    def collect(self) -> Iterable[Metric]:
        up = GaugeMetricFamily("turnbell_loop_up", "1 while the loop runs", labels=["loop"])
        beat = GaugeMetricFamily("turnbell_loop_last_beat_seconds", "Since its last beat", labels=["loop"])
        states = self._parts.loops()
        for name, state in states.items():
            up.add_metric([name], float(state.alive))
            if state.last_beat_s is not None:
                beat.add_metric([name], state.last_beat_s)
        yield up
        yield beat
        for name, state in states.items():
            for what, count in state.counts.items():
                yield CounterMetricFamily(
                    f"turnbell_{name}_{what}", f"Of the loop {name} in this process, since it started", count
                )
        yield from self._stores()
        yield from self._spool()

    def _spool(self) -> Iterable[Metric]:
        """With readings in a far store: how many have not left the spool, by what they wait for."""
        if not isinstance(self._parts.readings, HasBacklog):
            return
        spooled = GaugeMetricFamily("turnbell_spool_readings", "Readings in the spool", labels=["state"])
        try:
            for state, count in self._parts.readings.backlog().items():
                spooled.add_metric([state], float(count))
        except StorageError:
            return
        yield spooled

    def _stores(self) -> Iterable[Metric]:
        registry = self._parts.registry
        stores = GaugeMetricFamily("turnbell_registry_up", "1 while the registry answers")
        try:
            piles = registry.piles.all(open_only=True)
            episodes = registry.episodes.unresolved()
            beats = registry.memory.names(BEATS)
        except StorageError:
            stores.add_metric([], 0.0)
            yield stores
            return
        stores.add_metric([], 1.0)
        yield stores
        by_site = GaugeMetricFamily("turnbell_open_piles", "Open piles", labels=["site"])
        for site, count in sorted(Tally(pile.site for pile in piles).items()):
            by_site.add_metric([site], float(count))
        yield by_site
        by_kind = GaugeMetricFamily("turnbell_open_episodes", "Unresolved episodes", labels=["kind"])
        for kind, count in sorted(Tally(episode.kind for episode in episodes).items()):
            by_kind.add_metric([kind], float(count))
        yield by_kind
        yield from self._everywhere(beats)

    def _everywhere(self, beats: Mapping[str, str]) -> Iterable[Metric]:
        """Also of loops in other processes: each leaves word in the registry every ten seconds."""
        since = GaugeMetricFamily(
            "turnbell_anywhere_last_beat_seconds",
            "Since a loop of that name, in whichever process, left word in the registry",
            labels=["loop"],
        )
        now = self._parts.clock.now()
        for name, at in sorted(beats.items()):
            if at.isdigit():
                since.add_metric([name.removeprefix(BEATS)], (now - int(at)) / 1000)
        yield since


class CountRequests:
    """ASGI middleware: counts answers by the route's template, never by the path that was asked for."""

    def __init__(self, app: ASGIApp, metrics: Metrics) -> None:
        self.app, self._metrics = app, metrics

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        status, began = 500, time.perf_counter()

        async def send_and_note(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
            await send(message)

        try:
            await self.app(scope, receive, send_and_note)
        finally:
            route = getattr(scope.get("route"), "path", "none")
            method = scope["method"] if len(scope["method"]) < 8 else "other"
            self._metrics.requests.labels(route, method, str(status)).inc()
            self._metrics.seconds.labels(route).observe(time.perf_counter() - began)
