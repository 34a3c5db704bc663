"""The outlet around an alert as a drawing without a script: for the sheet, which is printed."""

from __future__ import annotations

from dataclasses import dataclass

from markupsafe import Markup

from steadyhead.api.series import series
from steadyhead.errors import SteadyheadError
from steadyhead.live.room import Room
from steadyhead.units import UnitSystem
from steadyhead.web.words import clock_text

WIDTH, HEIGHT = 720.0, 128.0
LEFT, RIGHT, TOP, BOTTOM = 46.0, 8.0, 14.0, 18.0
POINTS = 360
MARGIN = 0.06  # of the range of values, kept free above and below

Values = list[float | None]


@dataclass(frozen=True, slots=True)
class Strip:
    """The drawing, and what it shows in words."""

    svg: Markup
    said: str


@dataclass(frozen=True, slots=True)
class _Scale:
    from_s: int
    to_s: int
    low: float
    high: float

    def x(self, at_s: float) -> float:
        return LEFT + (WIDTH - LEFT - RIGHT) * (at_s - self.from_s) / max(1, self.to_s - self.from_s)

    def y(self, value: float) -> float:
        return TOP + (HEIGHT - TOP - BOTTOM) * (self.high - value) / (self.high - self.low)


def strip(room: Room, station: str, span: tuple[int, int], began_s: int, raised_s: int) -> Strip | None:
    """Outlet and learned band over the span; None where nothing can be drawn.

    A sheet without its drawing is still a sheet, so an archive that cannot be read leaves it out.
    """
    try:
        found = series(room, station, span[0], span[1], POINTS)
    except SteadyheadError:
        return None
    outlet = found["channels"].get("outlet_kpa")
    values = [v for name in ("low", "high") for v in (outlet[name] if outlet else []) if v is not None]
    if len(values) < 2:
        return None
    band = found["band"]
    if band is not None:
        values += [v for name in ("low_kpa", "high_kpa") for v in band[name] if v is not None]
    room_kpa = max(1.0, max(values) - min(values)) * MARGIN
    scale = _Scale(span[0], span[1], min(values) - room_kpa, max(values) + room_kpa)
    units, zone = room.registry.settings.units, room.registry.stations[station].time_zone
    parts = [_axes(scale, units, zone)]
    times: list[int] = found["times_s"]
    if band is not None:
        parts.append(_area(scale, times, band["low_kpa"], band["high_kpa"]))
        parts.append(f'<path class="s-expected" d="{_path(scale, times, band["expected_kpa"])}"/>')
    parts.append(f'<path class="s-outlet" d="{_path(scale, times, outlet["low"])}"/>')
    parts.append(f'<path class="s-outlet" d="{_path(scale, times, outlet["high"])}"/>')
    parts += [_moment(scale, began_s, "began", "end"), _moment(scale, raised_s, "raised", "start")]
    said = (
        f"Outlet from {clock_text(span[0], zone)} to {clock_text(span[1], zone)}, {units.pressure}; "
        f"{'grey: the learned band' if band is not None else 'no band was learned'}."
    )
    head = f'<svg class="strip" viewBox="0 0 {WIDTH:.0f} {HEIGHT:.0f}" role="img" aria-label="{said}">'
    svg = f"{head}{''.join(parts)}</svg>"
    return Strip(Markup(svg), said)  # noqa: S704 - numbers, unit and zone names of ours


def _path(scale: _Scale, times: list[int], values: Values) -> str:
    """A line with a gap wherever a value is missing."""
    steps: list[str] = []
    is_down = False
    for at_s, value in zip(times, values, strict=True):
        if value is None:
            is_down = False
            continue
        steps.append(f"{'L' if is_down else 'M'}{scale.x(at_s):.1f} {scale.y(value):.1f}")
        is_down = True
    return "".join(steps)


def _area(scale: _Scale, times: list[int], low: Values, high: Values) -> str:
    stretches: list[list[tuple[float, float, float]]] = [[]]
    for at_s, a, b in zip(times, low, high, strict=True):
        if a is None or b is None:
            stretches.append([])
        else:
            stretches[-1].append((scale.x(at_s), scale.y(a), scale.y(b)))
    return "".join(
        '<path class="s-band" d="M'
        + "L".join(f"{x:.1f} {a:.1f}" for x, a, _ in part)
        + "".join(f"L{x:.1f} {b:.1f}" for x, _, b in reversed(part))
        + 'Z"/>'
        for part in stretches
        if part
    )


def _axes(scale: _Scale, units: UnitSystem, zone: str) -> str:
    bottom = HEIGHT - BOTTOM
    lines = [f'<path class="s-axis" d="M{LEFT} {TOP}V{bottom}H{WIDTH - RIGHT}"/>']
    for share in (0.0, 0.5, 1.0):
        kpa = scale.low + share * (scale.high - scale.low)
        text = f"{units.pressure_from_kpa(kpa):.{units.pressure_decimals}f}"
        lines.append(f'<text x="{LEFT - 4}" y="{scale.y(kpa) + 3:.1f}" text-anchor="end">{text}</text>')
    for share, anchor in ((0.0, "start"), (0.5, "middle"), (1.0, "end")):
        at_s = scale.from_s + share * (scale.to_s - scale.from_s)
        text = clock_text(at_s, zone, "%a %d %b %H:%M")
        lines.append(f'<text x="{scale.x(at_s):.1f}" y="{HEIGHT - 5}" text-anchor="{anchor}">{text}</text>')
    return "".join(lines)


def _moment(scale: _Scale, at_s: int, word: str, anchor: str) -> str:
    if not scale.from_s <= at_s <= scale.to_s:
        return ""
    x = scale.x(at_s)
    aside = -3 if anchor == "end" else 3
    return (
        f'<path class="s-mark" d="M{x:.1f} {TOP}V{HEIGHT - BOTTOM}"/>'
        f'<text x="{x + aside:.1f}" y="{TOP - 3}" text-anchor="{anchor}">{word}</text>'
    )
