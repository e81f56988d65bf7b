"""Messages on their way to the disk: decoded, not yet acknowledged."""

from __future__ import annotations

import time
from dataclasses import dataclass, field

from ingest.decoded import Decoded, DecodeError
from ingest.decoders import Decoders
from ingest.session import Message
from ingest.topics import OWN_TOPICS, Origin, TopicError, parse_topic
from ingest.undated import Undated
from ingest.upkeep import Upkeep
from shared.ports import Refused
from shared.readings import ArrivalMark, Reading
from shared.times import Clock, Millis

_NONE = ArrivalMark.NONE
_STATUS = {b"online": True, b"offline": False}


@dataclass(slots=True)
class Batch:
    messages: list[Message] = field(default_factory=list)
    readings: list[Reading] = field(default_factory=list)
    refusals: list[Refused] = field(default_factory=list)
    redelivered: set[Origin] = field(default_factory=set)
    own: int = 0  # of the messages: what ingesters send themselves
    octets: int = 0
    began: float = 0.0  # monotonic
    undated: str | None = None  # what is to be known of messages without a time, should they come again
    readings_stored: bool = False  # half done: the readings are on the disk, the refusals not yet

    def __len__(self) -> int:
        return len(self.messages)


class Intake:
    """Decodes each message into the batch at hand."""

    def __init__(self, decoders: Decoders, clock: Clock, upkeep: Upkeep, undated: Undated) -> None:
        self._decoders, self._clock, self._upkeep, self._undated = decoders, clock, upkeep, undated
        self.batch = Batch()
        self.to_come_again = 0  # messages that the broker still owes us a second time

    def hand_over(self) -> Batch:
        batch, self.batch = self.batch, Batch()
        if self._undated.changed:
            batch.undated = self._undated.dump()
        return batch

    def take(self, message: Message) -> None:
        batch = self.batch
        if not batch.messages:
            batch.began = time.monotonic()
        batch.messages.append(message)
        batch.octets += len(message.payload)
        again = message.dup
        if self.to_come_again and message.qos:
            self.to_come_again -= 1
            again = True
        received_at = self._clock.now()
        if message.topic is None:
            self._refuse("(not UTF-8)", "the topic is not UTF-8", message, received_at)
        elif message.topic.startswith(OWN_TOPICS):
            batch.own += 1  # our own echo, or another ingester's: to be acknowledged, no more
        elif message.topic.endswith("/status"):
            self._status(message.topic, message, received_at)
        else:
            self._readings(message.topic, message, received_at, again=again)

    def _readings(self, topic: str, message: Message, received_at: Millis, *, again: bool) -> None:
        try:
            decoded = self._decode(topic, message, received_at)
        except DecodeError as error:
            if (
                message.payload or not message.retain
            ):  # an empty retained message only clears what was retained
                self._refuse(topic, str(error), message, received_at)
            return
        readings = decoded.readings
        if message.retain:
            readings = [one._replace(mark=one.mark | ArrivalMark.STALE) for one in readings]
        self.batch.readings.extend(readings)
        if decoded.refused:
            self._refuse(topic, decoded.reason(), message, received_at)
        key = readings[0].sensor
        origin = Origin(key.site, key.probe)
        if again:
            self.batch.redelivered.add(origin)
        self._upkeep.message(origin, readings, received_at, retained=message.retain)

    def _decode(self, topic: str, message: Message, received_at: Millis) -> Decoded:
        decoded = self._decoders.decode(topic, message.payload, received_at)
        if not any(one.mark is not _NONE and one.mark & ArrivalMark.NO_TIME for one in decoded.readings):
            return decoded
        came_before = self._undated.came_before(message)
        if came_before is not None:
            return self._decoders.decode(topic, message.payload, came_before)
        self._undated.note(message, received_at)
        return decoded

    def _status(self, topic: str, message: Message, received_at: Millis) -> None:
        try:
            origin = parse_topic(topic).origin
        except TopicError as error:
            self._refuse(topic, str(error), message, received_at)
            return
        online = _STATUS.get(message.payload.strip().lower())
        if online is not None:
            self._upkeep.status(origin, received_at, online=online, retained=message.retain)
        elif message.payload:  # an empty one clears the retained status
            self._refuse(topic, "a status is online or offline", message, received_at)

    def _refuse(self, topic: str, reason: str, message: Message, received_at: Millis) -> None:
        self.batch.refusals.append(Refused(received_at, topic, reason, message.payload))
