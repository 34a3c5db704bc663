"""Small drawings in SVG: what each condition looks like on the pressure line through a station, and marks.

A glyph shows the head before the valve at the left, the drop across it in the middle and the outlet at the
right, beside the band that was learned. It is a sketch of the kind of trouble and not to scale. Colours come
from the style sheet, by class, so that light, dark and print differ only there. Every glyph stands beside
words that say the same and is therefore hidden from screen readers.
"""

from __future__ import annotations

from markupsafe import Markup

from steadyhead.alerts.model import PRIORITIES, AlertState, Priority
from steadyhead.live.views import Regime
from steadyhead.types import Condition

_BAND = '<rect class="g-band" x="62" y="24" width="54" height="9"/>'
_INLET = '<path class="g-line" d="M4 9H50"/>'
_LOW_INLET = '<path class="g-off" d="M4 21H50"/>'
_VALVE = '<path class="g-valve" d="M50 4L62 44M62 4L50 44"/>'
_STEADY = '<path class="g-line" d="M62 28.5H116"/>'

# What stands right of the valve (and, where the inlet is the trouble, left of it).
_OUTLETS: dict[Condition, str] = {
    "drift": '<path class="g-off" d="M62 28.5C78 28.5 92 24 116 13"/>',
    "creep": '<path class="g-line" d="M62 28.5H74"/><path class="g-off" d="M74 28.5C82 12 96 10 116 10"/>'
    '<path class="g-stop" d="M46 40H66"/>',
    "failure_to_open": '<path class="g-off" d="M62 28.5H68C74 28.5 76 41 84 41H102C110 41 112 34 116 33"/>',
    "hunting": '<path class="g-off" d="M62 28.5C65 12 70 12 73 28.5S81 45 84 28.5 92 12 95 28.5 103 45 106 '
    '28.5 113 14 116 20"/>',
    "failure_to_close": '<path class="g-off" d="M62 9H116"/>',
    "slow_response": '<path class="g-line" d="M62 28.5H70"/>'
    '<path class="g-off" d="M70 28.5V42C84 42 96 30 116 28.5"/>',
    "set_changed": '<path class="g-line" d="M62 28.5H86"/><path class="g-off" d="M86 28.5V15H116"/>',
    "inlet_starved": '<path class="g-off" d="M62 38H116"/>',
    "excess_demand": '<path class="g-off" d="M62 36H96M96 36L88 30M96 36L88 42M116 36H102M116 36L108 30"/>'
    '<path class="g-off" d="M116 36L108 42"/>',
    "sensor_fault": '<path class="g-line" d="M62 28.5H76"/>'
    '<path class="g-off" d="M80 28.5V10M84 28.5V44M88 28.5V6M92 28.5V40"/>'
    '<path class="g-line" d="M96 28.5H116"/>',
    "telemetry_loss": '<path class="g-line" d="M62 28.5H78"/><path class="g-gap" d="M84 28.5H116"/>',
    "held_shut": '<path class="g-off" d="M62 18H116"/><path class="g-stop" d="M46 40H66"/>',
    "unfamiliar": '<path class="g-off" d="M62 28.5L72 14 80 40 88 22 96 36 104 16 116 30"/>',
}


def condition_glyph(condition: Condition | None, *, is_down: bool = False) -> Markup:
    """The sketch of a condition; a station that holds its set for None.

    is_down : the outlet went down; of conditions that can go both ways the sketch is turned over
    """
    outlet = _STEADY if condition is None else _OUTLETS[condition]
    if is_down and condition in _BOTH_WAYS:
        outlet = f'<g transform="matrix(1 0 0 -1 0 57)">{outlet}</g>'  # about the middle of the band
    inlet = _LOW_INLET if condition == "inlet_starved" else _INLET
    return _svg(f"{_BAND}{inlet}{_VALVE}{outlet}")


def _svg(inner: str) -> Markup:
    return Markup(  # noqa: S704 - made of the constants above only
        f'<svg class="glyph" viewBox="0 0 120 48" width="120" height="48" aria-hidden="true">{inner}</svg>'
    )


def station_glyph(regime: Regime | None) -> Markup:
    """The sketch of a station without an alert: holding its set, shut, or not to be seen."""
    if regime in (None, "no_readings", "silent"):
        return _svg(f'{_VALVE}<path class="g-gap" d="M6 9H50M64 28.5H116"/>')
    if regime == "learning":
        return _svg(f"{_INLET}{_VALVE}{_STEADY}")  # no band: none has been learned
    if regime == "shut":
        return _svg(f'{_BAND}{_INLET}{_VALVE}{_STEADY}<path class="g-stop" d="M46 40H66"/>')
    return condition_glyph(None)


def priority_mark(priority: Priority, *, is_open: bool) -> Markup:
    """One, two or three bars: filled while nobody has acknowledged, outlined after that."""
    n = PRIORITIES.index(priority) + 1
    bars = "".join(f'<rect x="6" y="{22 - 7 * i}" width="16" height="4"/>' for i in range(n))
    kind = "m-new" if is_open else "m-known"
    return _mark(
        f"{kind} p-{priority}", f'<rect class="m-box" x="1.5" y="1.5" width="25" height="25"/>{bars}'
    )


_BOTH_WAYS: tuple[Condition, ...] = ("drift", "set_changed")

# Marks of the states in which nobody has to come now.
_CIRCLE = '<circle class="m-box" cx="14" cy="14" r="12"/>'
_SQUARE = '<rect class="m-box" x="2" y="2" width="24" height="24"/>'
_TICK = '<path d="M8 14.5L12.5 19 20 10"/>'
_BARRED = '<path d="M9 18V10M14 18V10M19 18V10"/>'
_QUIET: dict[AlertState, str] = {
    "normal": _CIRCLE + _TICK,
    "returned_unacknowledged": _CIRCLE.replace("m-box", "m-box m-dash") + _TICK,
    "latched_unacknowledged": _SQUARE.replace("m-box", "m-box m-dash") + _BARRED,
    "latched_acknowledged": _SQUARE + _BARRED,
    "shelved": _CIRCLE + '<path d="M14 7V14L19 17"/>',
    "suppressed_by_design": _CIRCLE + '<path d="M6 22L22 6"/>',
    "out_of_service": _SQUARE + '<path d="M8 8L20 20M20 8L8 20"/>',
}


def state_mark(state: AlertState, priority: Priority) -> Markup:
    """The mark of an alert: priority where somebody is needed, else the reason why nobody is."""
    if state in ("active_unacknowledged", "active_acknowledged"):
        return priority_mark(priority, is_open=state == "active_unacknowledged")
    return _mark("m-quiet", _QUIET[state])


def _mark(kind: str, inner: str) -> Markup:
    return Markup(  # noqa: S704 - made of constants only
        f'<svg class="mark {kind}" viewBox="0 0 28 28" width="28" height="28" '
        f'aria-hidden="true">{inner}</svg>'
    )
