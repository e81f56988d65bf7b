"""The order in which sensors are listed."""

from __future__ import annotations

from shared.ports import SensorSummary


def by_depth(summary: SensorSummary) -> tuple[str, str, str, float, str]:
    """Site, probe, quantity, depth as a number, levels (``middle``) before them."""
    sensor = summary.sensor
    depth_cm = sensor.depth_cm
    return sensor.site, sensor.probe, sensor.quantity, -1.0 if depth_cm is None else depth_cm, sensor.depth
