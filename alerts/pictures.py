"""The heat curve that goes with a message. Whatever goes wrong with it, the message goes without."""

from __future__ import annotations

import logging
from collections import OrderedDict
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING

from alerts.wording_voice import known_zone
from shared.charts import heat_curve_spec, render_png
from shared.notices import Notice
from shared.people import Person
from shared.ports import Registry
from shared.times import MINUTE, Clock

if TYPE_CHECKING:
    from shared.heat_book import HeatBook

log = logging.getLogger(__name__)

PATIENCE_S = 20.0  # the first picture starts the renderer
WIDTH, HEIGHT = 720, 360
KEPT = 32

Key = tuple[str, str, str, int]


class Pictures:
    """Drawn one after another by one thread; the same picture of the same minute is drawn once."""

    def __init__(self, registry: Registry, book: HeatBook, clock: Clock) -> None:
        self._registry, self._book, self._clock = registry, book, clock
        self._easel = ThreadPoolExecutor(1, "picture")
        self._kept: OrderedDict[Key, bytes] = OrderedDict()
        self._failing = False

    def draw(self, notice: Notice, person: Person) -> bytes | None:
        if notice.pile_id is None:
            return None
        key = (notice.pile_id, person.units, known_zone(person.zone), self._clock.now() // MINUTE)
        drawing = self._easel.submit(self._draw, key)
        try:
            error = drawing.exception(PATIENCE_S)
        except TimeoutError as late:
            drawing.cancel()
            error = late
        if error is not None:
            if not self._failing:
                log.warning("picture of pile=%s event=failed error=%s", notice.pile_id, type(error).__name__)
            self._failing = True
            return None
        self._failing = False
        return drawing.result()

    def _draw(self, key: Key) -> bytes:
        if key in self._kept:
            self._kept.move_to_end(key)
            return self._kept[key]
        pile_id, units, zone, _ = key
        spec = heat_curve_spec(
            self._book.history(pile_id),
            self._book.report(pile_id, self._clock.now()),
            units="fahrenheit" if units == "fahrenheit" else "celsius",
            zone=zone,
            width=WIDTH,
            height=HEIGHT,
            theme="light",
        )
        self._kept[key] = render_png(spec)
        while len(self._kept) > KEPT:
            self._kept.popitem(last=False)
        return self._kept[key]
