"""The whole service in one process: broker, ingester, worker, sender, pages; started in that order, drained in the
other."""

from __future__ import annotations

import ipaddress
import json
import os
import socket
from collections.abc import Callable, Sequence
from dataclasses import replace

from fastapi import FastAPI

from api.app import create_app
from deploy import assembly
from deploy.house import RUNNING_FILE, House
from deploy.nightly import NightlyLoop
from deploy.supervisor import Supervisor
from deploy.web import WebServer, address_for_people, address_of, bind
from ingest.broker import EmbeddedBroker
from shared.loops import Loop
from shared.settings import Settings


class Service:
    """``start`` returns once everything listens; ``stop`` once everything is stored and closed."""

    def __init__(
        self,
        house: House,
        *,
        host: str,
        port: int,
        mqtt_host: str,
        mqtt_port: int,
        demo_speed: float | None = None,
        add_to_app: Callable[[FastAPI], None] | None = None,
    ) -> None:
        self._demo_speed, self._add_to_app = demo_speed, add_to_app
        self._broker = None
        if house.settings.mqtt.host is None:
            self._broker = EmbeddedBroker(house.data_dir, mqtt_host, mqtt_port)
        self._listener: socket.socket = bind(host, port)
        self.house = replace(house, settings=_as_served(house.settings, self._listener))

    def start(self, more_loops: Callable[[str, int], Sequence[Loop]] | None = None) -> None:
        """``more_loops`` is asked for further loops once the broker's address is known (the demo's probes)."""
        try:
            if self._broker is not None:
                self._broker.start()
            host, port = self.mqtt_address
            inside = self._with_broker()
            loops: list[Loop] = [
                assembly.ingest_loop(inside, host, port),
                *assembly.forward_loops(inside),
                *assembly.watch_loops(inside),
            ]
            if more_loops is not None:
                loops += more_loops(host, port)
            comforts: list[Loop] = [assembly.warm_loop(inside, beside_watch=True, speed=self._demo_speed)]
            if self._demo_speed is None:
                comforts.append(NightlyLoop(inside))
            self._supervisor = Supervisor(loops, self.house.registry, self.house.clock, comforts=comforts)
            parts = assembly.parts(
                inside, self._supervisor, open_door=self._demo_speed is not None, demo_speed=self._demo_speed
            )
            self.test_send = parts.test_send
            app = create_app(parts)
            if self._add_to_app is not None:
                self._add_to_app(app)
            self._web = WebServer(app, self._listener, self.house.settings.web.trusted_proxies)
            self._supervisor.start()
            self._web.start()
            self._leave_word()
        except BaseException:
            self._listener.close()
            if self._broker is not None:
                self._broker.stop()
            raise

    @property
    def address(self) -> str:
        """On this machine."""
        return address_of(self._listener)

    @property
    def address_for_people(self) -> str:
        return address_for_people(self._listener)

    @property
    def mqtt_address(self) -> tuple[str, int]:
        """Where a client on this machine reaches the broker."""
        if self._broker is None:
            mqtt = self.house.settings.mqtt
            return str(mqtt.host), mqtt.port
        return self._broker.host, self._broker.port

    def _with_broker(self) -> House:
        """The house as a client of the embedded broker, its address and our login in the settings, unless one is outside."""
        if self._broker is None:
            return self.house
        return replace(self.house, settings=self._broker.seen_by(self.house.settings))

    def stop(self) -> None:
        self._web.stop()
        self._supervisor.stop()
        if self._broker is not None:
            self._broker.stop()
        self._listener.close()
        (self.house.data_dir / RUNNING_FILE).unlink(missing_ok=True)

    def _leave_word(self) -> None:
        """So that `turnbell check` finds the running service."""
        host, port = self.mqtt_address
        word = {"pid": os.getpid(), "web": self.address, "mqtt_host": host, "mqtt_port": port}
        (self.house.data_dir / RUNNING_FILE).write_text(json.dumps(word), "utf-8")


def _as_served(settings: Settings, listener: socket.socket) -> Settings:
    """What follows from the address when nobody set it: links in messages, and whether webhooks may stay inside."""
    filled: dict[str, object] = {}
    if settings.web.public_url is None:
        filled["public_url"] = address_for_people(listener)
    if settings.web.allow_private_webhooks is None:
        filled["allow_private_webhooks"] = ipaddress.ip_address(listener.getsockname()[0]).is_loopback
    return settings.model_copy(update={"web": settings.web.model_copy(update=filled)})
