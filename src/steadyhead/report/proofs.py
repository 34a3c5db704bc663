"""Which view proves which condition."""

from __future__ import annotations

from collections.abc import Callable

from matplotlib.axes import Axes

from steadyhead.report.scene import Scene, draw_zoom
from steadyhead.report.views_shape import draw_against_inlet, draw_droop, draw_kv_envelope
from steadyhead.report.views_swing import draw_swing
from steadyhead.report.views_time import (
    draw_channel,
    draw_closed_night,
    draw_levels,
    draw_neighbour,
    draw_presence,
)
from steadyhead.types import Condition


def draw_proof(axes: Axes, scene: Scene) -> str:
    """Draw what proves the condition; returns one sentence that says what is seen (the alt text).

    Where the wanted view needs a channel that is missing, the outlet around the raise is drawn instead.
    """
    return _VIEWS[scene.verdict.condition](axes, scene)


_VIEWS: dict[Condition, Callable[[Axes, Scene], str]] = {
    "drift": draw_droop,
    "creep": draw_closed_night,
    "failure_to_open": draw_kv_envelope,
    "hunting": draw_swing,
    "failure_to_close": draw_against_inlet,
    "slow_response": draw_zoom,
    "set_changed": draw_levels,
    "inlet_starved": draw_against_inlet,
    "excess_demand": draw_kv_envelope,
    "sensor_fault": draw_channel,
    "telemetry_loss": draw_presence,
    "held_shut": draw_neighbour,
    "unfamiliar": draw_droop,
}
