"""What the pages say of an alert, a state, a length of time: one plain sentence each."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from zoneinfo import ZoneInfo

from steadyhead.alerts.model import AlertState, Effort, Priority
from steadyhead.diagnosis.phrases import duration_text
from steadyhead.types import Condition
from steadyhead.units import UnitSystem

Numbers = dict[str, float]
Traits = dict[str, str]

SHORT_NAME_LETTERS = 3  # "prv_12" is a code, not words: shown as it is

STATE_WORDS: dict[AlertState, str] = {
    "normal": "Over",
    "active_unacknowledged": "Not acknowledged",
    "active_acknowledged": "Acknowledged",
    "returned_unacknowledged": "Over, not acknowledged",
    "latched_unacknowledged": "Over, kept until reset, not acknowledged",
    "latched_acknowledged": "Over, kept until reset",
    "shelved": "Shelved",
    "suppressed_by_design": "Suppressed by design",
    "out_of_service": "Station out of service",
}

PRIORITY_WORDS: dict[Priority, str] = {"high": "High", "medium": "Medium", "low": "Low"}

EFFORT_WORDS: dict[Effort, str] = {
    "free": "look only",
    "cheap": "small and reversible",
    "isolates": "takes something out of use",
}

CONDITION_WORDS: dict[Condition, str] = {
    "drift": "drift",
    "creep": "creep when closed",
    "failure_to_open": "failure to open",
    "hunting": "hunting",
    "failure_to_close": "failure to close",
    "slow_response": "slow response",
    "set_changed": "set pressure changed",
    "inlet_starved": "inlet starved",
    "excess_demand": "excess demand",
    "sensor_fault": "sensor fault",
    "telemetry_loss": "no readings",
    "held_shut": "held shut by a neighbour",
    "unfamiliar": "never seen like this",
}

_KINDS = {
    "stuck": "it repeats one value",
    "spiking": "single readings jump",
    "out_of_range": "it reads what no main can do",
    "offset": "it jumped by more than a pilot is turned",
    "swapped": "inlet and outlet look swapped",
    "scaled": "the outlet looks read in another unit",
    "inlet_scaled": "the inlet looks read in another unit",
    "crossed": "the inlet reads below the outlet",
    "meter_dead": "the flow meter reads zero",
}


def place_text(station: str) -> str:
    """A station's name for people: ``larch_street`` as Larch Street; codes stay as they are."""
    words = station.replace("-", "_").split("_")
    if all(word.isalpha() and word.islower() for word in words) and max(map(len, words)) > SHORT_NAME_LETTERS:
        return " ".join(word.capitalize() for word in words)
    return station


def headline(condition: Condition, magnitude: Numbers, traits: Traits, units: UnitSystem) -> str:
    """What is wrong, in one short clause that follows the station's name."""
    return _HEADLINES[condition](magnitude, traits, units)


def _size(numbers: Numbers, name: str, units: UnitSystem) -> str:
    """A pressure by name with its unit and a space, or nothing where it is missing."""
    value = numbers.get(name)
    return "" if value is None else f"{units.pressure_text(abs(value))} "


def _drift(n: Numbers, _t: Traits, u: UnitSystem) -> str:
    side = "low" if n.get("departure_kpa", 0.0) < 0 else "high"
    return f"outlet has drifted {_size(n, 'departure_kpa', u)}too {side}"


def _creep(n: Numbers, _t: Traits, u: UnitSystem) -> str:
    return f"outlet climbs {_size(n, 'rise_kpa', u)}while no water flows"


def _not_open(n: Numbers, _t: Traits, u: UnitSystem) -> str:
    return f"outlet sags {_size(n, 'departure_kpa', u)}below set: the valve does not open enough"


def _hunting(n: Numbers, _t: Traits, u: UnitSystem) -> str:
    period = n.get("period_s")
    every = "" if period is None else f" every {duration_text(period)}"
    return f"outlet swings {_size(n, 'swing_kpa', u)}up and down{every}"


def _not_closed(n: Numbers, _t: Traits, u: UnitSystem) -> str:
    return f"outlet is {_size(n, 'departure_kpa', u)}too high: the valve does not hold it down"


def _slow(n: Numbers, _t: Traits, u: UnitSystem) -> str:
    return f"outlet strays {_size(n, 'stray_kpa', u)}before it comes back"


def _set_changed(n: Numbers, _t: Traits, u: UnitSystem) -> str:
    way = "down" if n.get("step_kpa", 0.0) < 0 else "up"
    return f"set pressure went {way} {_size(n, 'step_kpa', u)}".strip()


def _starved(n: Numbers, _t: Traits, u: UnitSystem) -> str:
    return f"inlet is too low, outlet {_size(n, 'departure_kpa', u)}short; the valve is not at fault"


def _excess(n: Numbers, _t: Traits, u: UnitSystem) -> str:
    over = n.get("flow_over_lps")
    much = "far" if over is None else u.flow_text(abs(over))
    return f"flow is {much} above usual: look for water leaving the district"


def _sensor(_n: Numbers, t: Traits, _u: UnitSystem) -> str:
    channel = t.get("channel")
    told = _KINDS.get(t.get("kind", ""), "its readings cannot be true")
    return f"the {channel} transmitter is wrong: {told}" if channel else f"a transmitter is wrong: {told}"


def _silent(n: Numbers, _t: Traits, _u: UnitSystem) -> str:
    silence = n.get("silent_s")
    return "no readings arrive" if silence is None else f"no readings for {duration_text(silence)}"


def _held_shut(_n: Numbers, _t: Traits, _u: UnitSystem) -> str:
    return "held shut by a neighbour; look there"


def _unfamiliar(n: Numbers, t: Traits, u: UnitSystem) -> str:
    if (missing := n.get("flow_missing_lps")) is not None:
        return f"{u.flow_text(abs(missing))} is missing at every hour: is a bypass or boundary valve open?"
    if t.get("fed") == "elsewhere":
        return "shut, and yet the district fills: is a bypass or boundary valve open?"
    return "behaves as never before; no named condition fits"


_HEADLINES: dict[Condition, Callable[[Numbers, Traits, UnitSystem], str]] = {
    "drift": _drift,
    "creep": _creep,
    "failure_to_open": _not_open,
    "hunting": _hunting,
    "failure_to_close": _not_closed,
    "slow_response": _slow,
    "set_changed": _set_changed,
    "inlet_starved": _starved,
    "excess_demand": _excess,
    "sensor_fault": _sensor,
    "telemetry_loss": _silent,
    "held_shut": _held_shut,
    "unfamiliar": _unfamiliar,
}


def clock_text(epoch_s: float, time_zone: str, form: str = "%a %d %b %Y %H:%M") -> str:
    """Time at the station with the name of its clock: "Fri 01 Mar 2024 05:20 CST"."""
    at = datetime.fromtimestamp(epoch_s, tz=ZoneInfo(time_zone))
    name = at.strftime("%Z")
    return f"{at.strftime(form)} {f'UTC{name}' if name[:1] in '+-' else name}"


def short_clock_text(epoch_s: float, time_zone: str, now_s: float) -> str:
    """The same without what can be taken for granted: no year in the last half year, no day today."""
    zone = ZoneInfo(time_zone)
    at, now = (datetime.fromtimestamp(s, tz=zone) for s in (epoch_s, now_s))
    if at.date() == now.date():
        return clock_text(epoch_s, time_zone, "%H:%M")
    if abs(now_s - epoch_s) < 183 * 86_400:
        return clock_text(epoch_s, time_zone, "%a %d %b %H:%M")
    return clock_text(epoch_s, time_zone)


def ago_text(epoch_s: float | None, now_s: float) -> str:
    """How long ago, with one unit: "3 min ago", "never", "in 2 h"."""
    if epoch_s is None:
        return "never"
    gap = now_s - epoch_s
    if abs(gap) < 1:
        return "just now"
    said = _length(abs(gap))
    return f"{said} ago" if gap > 0 else f"in {said}"


def _length(seconds: float) -> str:
    """Length of time in whole units: people glance at it, so no decimals."""
    for size, least, unit in ((86_400, 172_800, "days"), (3_600, 7_200, "h"), (60, 90, "min")):
        if seconds >= least:
            return f"{seconds / size:.0f} {unit}"
    return f"{seconds:.0f} s"


def sure_words(confidence: float) -> str:
    """How sure, in a word people say, with the figure: "very sure (94 %)"."""
    percent = "over 98 %" if confidence > 0.985 else f"{confidence * 100:.0f} %"
    if confidence >= 0.9:
        word = "very sure"
    elif confidence >= 0.75:
        word = "fairly sure"
    elif confidence >= 0.5:
        word = "more likely than not"
    else:
        word = "a guess"
    return f"{word} ({percent})"


def needed_text(n_stations: int) -> str:
    """The one sentence that has to be read from the door."""
    if n_stations == 0:
        return "No station needs a person"
    return f"{n_stations} station{' needs' if n_stations == 1 else 's need'} a person"
