"""Numbers and times of an alert in words people say, in the unit system they chose."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from zoneinfo import ZoneInfo

from steadyhead.diagnosis.phrases import duration_text, kv_text, percent, times_text
from steadyhead.units import UnitSystem

# How a figure is said, by its name: {} is the amount with its unit, and where the sign is half of the answer
# {side} is the first word below zero, the second above.
PHRASES: dict[str, tuple[str, str, str]] = {
    name: (phrase, *sides)
    for name, phrase, sides in (
        ("departure_kpa", "outlet {} {side}", ("low", "high")),
        ("departure_share", "outlet {} of set {side}", ("low", "high")),
        ("way_share", "{} of the way from lock-up to inlet pressure", ("", "")),
        ("rise_kpa", "outlet {} {side} lock-up", ("below", "above")),
        ("swing_kpa", "outlet swings {} peak to peak", ("", "")),
        ("swing_share", "outlet swings {} of set", ("", "")),
        ("period_s", "a swing every {}", ("", "")),
        ("stray_kpa", "outlet strays {} at a usual change of demand", ("", "")),
        ("stray_share", "outlet strays {} of set", ("", "")),
        ("step_kpa", "outlet stepped {side} by {}", ("down", "up")),
        ("step_share", "outlet stepped {side} by {} of set", ("down", "up")),
        ("differential_kpa", "inlet {} {side} the outlet", ("below", "above")),
        ("flow_over_lps", "{} more flow than usual at that hour", ("", "")),
        ("flow_missing_lps", "{} less flow than usual at every hour", ("", "")),
        ("flow_lps", "{} in all", ("", "")),
        ("silent_s", "silent for {}", ("", "")),
        ("outlet_still_s", "outlet reads one value for {}", ("", "")),
        ("inlet_still_s", "inlet reads one value for {}", ("", "")),
        ("flow_still_s", "flow reads one value for {}", ("", "")),
        ("zero_s", "meter reads zero for {}", ("", "")),
        ("outlet_ratio", "outlet reads {} what it should", ("", "")),
        ("inlet_ratio", "inlet reads {} what it should", ("", "")),
        ("distance_ratio", "unlike any hour learned, {} the limit", ("", "")),
    )
}
_RATES = {"_per_day": "a day", "_per_hour": "an hour", "_per_h": "an hour"}


def sizes(magnitude: Mapping[str, float], units: UnitSystem) -> list[str]:
    """How large, most telling figure first: a pressure and its share of set are said as one.

    ``{"departure_kpa": -42, "departure_share": -0.1}`` gives "outlet 42 kPa low (10 % of set)".
    """
    said = []
    for name, value in magnitude.items():
        stem, _, unit = name.rpartition("_")
        if unit == "share" and f"{stem}_kpa" in magnitude and stem in _OF_SET:
            continue
        text = magnitude_text(name, value, units)
        share = magnitude.get(f"{stem}_share")
        if unit == "kpa" and share is not None and stem in _OF_SET:
            text += f" ({percent(abs(share))} of set)"
        said.append(text)
    return said


_OF_SET = ("departure", "swing", "stray", "step")


def magnitude_text(name: str, value: float, units: UnitSystem) -> str:
    """One figure of a magnitude: ``departure_kpa, -42`` gives "outlet 42 kPa low".

    The unit is the last part of the name. A name with no phrase is said as it is written, with its unit
    where that is known.
    """
    if name in PHRASES:
        phrase, below, above = PHRASES[name]
        amount = _amount(name.rpartition("_")[2], abs(value), units) or f"{abs(value):.3g}"
        return phrase.format(amount, side=above if value > 0 else below)
    stem, rate = name, ""
    for ending, words in _RATES.items():
        if name.endswith(ending):
            stem, rate = name.removesuffix(ending), f" {words}"
    stem, _, unit = stem.rpartition("_")
    amount = _amount(unit, abs(value), units) or f"{unit} {abs(value):.3g}"
    what = "" if stem == "kv" and unit == "m3h" else stem.replace("_", " ")
    return f"{what} {'-' if value < 0 else ''}{amount}{rate}".strip()


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


def time_text(at: datetime, time_zone: str, *, with_year: bool = False) -> str:
    """Day and time at the station: "Fri 01 Mar 05:20", or with the year "Fri 01 Mar 2024 05:20".

    In the hour that a clock runs through twice, the zone's short name says which pass is meant.
    """
    local = at.astimezone(ZoneInfo(time_zone))
    text = local.strftime("%a %d %b %Y %H:%M" if with_year else "%a %d %b %H:%M")
    is_twice = local.replace(fold=0).utcoffset() != local.replace(fold=1).utcoffset()
    return f"{text} {local.tzname()}" if is_twice else text


def sure_text(confidence: float) -> str:
    """How sure, never more than the figure can carry: 0.84 gives "84 % sure"."""
    if confidence > 0.985:
        return "over 98 % sure"
    return f"{confidence * 100:.0f} % sure"
