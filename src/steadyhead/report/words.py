"""Numbers and times of an alert in words people say, in the unit system they chose."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

from steadyhead.diagnosis.phrases import duration_text, kv_text, percent, times_text
from steadyhead.units import UnitSystem

LENGTHS_OF_RATE = {"_per_day": "a day", "_per_hour": "an hour", "_per_h": "an hour"}
# Where the sign is half of the answer, the words for below and above zero.
SIGNED_STEMS = {
    "departure": ("low", "high"),
    "offset": ("low", "high"),
    "step": ("down", "up"),
    "change": ("down", "up"),
}


def magnitude_text(name: str, value: float, units: UnitSystem) -> str:
    """One figure of a magnitude: ``departure_kpa, -42`` gives "departure 42 kPa low".

    The unit is the last part of the name; a name without a known unit is shown as a bare number.
    """
    stem, rate = name, ""
    for ending, words in LENGTHS_OF_RATE.items():
        if name.endswith(ending):
            stem, rate = name.removesuffix(ending), f" {words}"
    stem, _, unit = stem.rpartition("_")
    amount = _amount(unit, abs(value), units)
    if amount is None:
        stem, amount = f"{stem}_{unit}".strip("_"), f"{abs(value):.3g}"
    what = stem.replace("_", " ").removeprefix("kv").strip() if unit == "m3h" else stem.replace("_", " ")
    signs = SIGNED_STEMS.get(what.partition(" ")[0])
    if signs and not rate:
        return f"{what} {amount} {signs[value > 0]}"
    sign = "-" if value < 0 else ""
    return f"{what} {sign}{amount}{rate}".strip()


def _amount(unit: str, value: float, units: UnitSystem) -> str | None:
    texts = {
        "kpa": lambda: units.pressure_text(value),
        "lps": lambda: units.flow_text(value),
        "m3h": lambda: kv_text(value, units),
        "share": lambda: percent(value),
        "ratio": lambda: times_text(value),
        "s": lambda: duration_text(value),
    }
    return texts[unit]() if unit in texts else None


def time_text(at: datetime, time_zone: str) -> str:
    """Day and time at the station: "Fri 01 Mar 05:20"; the year is said once, in the heading."""
    return at.astimezone(ZoneInfo(time_zone)).strftime("%a %d %b %H:%M")


def sure_text(confidence: float) -> str:
    """How sure, never more than the figure can carry: 0.84 gives "84 % sure"."""
    if confidence > 0.985:
        return "over 98 % sure"
    return f"{confidence * 100:.0f} % sure"
