"""Kinds of values a registry may hold, each with the reading of what people write."""

from __future__ import annotations

import difflib
import re
import zoneinfo
from typing import Annotated, Any

from pydantic import AfterValidator, BeforeValidator, Field

from steadyhead import units
from steadyhead.errors import RegistryError

DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
_NUMBER_AND_UNIT = re.compile(r"\s*([-+]?[\d.]+(?:[eE][-+]?\d+)?)\s*([^\d\s].*?)\s*\Z")


def did_you_mean(word: str, known: list[str]) -> str:
    """Asks "did you mean x?" for a near match; an empty text if there is none."""
    lower = {k.casefold(): k for k in reversed(known)}
    near = difflib.get_close_matches(word.casefold(), lower, n=1, cutoff=0.6)
    near = near or [k for k in lower if k.startswith(word.casefold())][:1]
    return f"did you mean {lower[near[0]]}?" if near else ""


def _pressure(value: Any) -> Any:
    return _with_unit(value, "pressure")


def _flow(value: Any) -> Any:
    return _with_unit(value, "flow")


def _with_unit(value: Any, quantity: units.Quantity) -> Any:
    """Reads "60 psi" in working units; a bare number is in working units already."""
    found = _NUMBER_AND_UNIT.match(value) if isinstance(value, str) else None
    if found is None:
        return value
    try:
        unit = units.find_unit(found[2], quantity)
    except RegistryError as exc:
        raise ValueError(str(exc)) from exc
    return float(found[1]) * unit.factor


def _kv(value: Any) -> Any:
    found = _NUMBER_AND_UNIT.match(value) if isinstance(value, str) else None
    if found is None:
        return value
    factor = {"cv": units.KV_PER_CV, "kv": 1.0, "m3/h": 1.0}.get(found[2].casefold())
    if factor is None:
        raise ValueError(f'"{value}" is not a flow coefficient; write a Kv in m3/h, or a Cv such as "120 Cv"')
    return float(found[1]) * factor


def _millimetres(value: Any) -> Any:
    found = _NUMBER_AND_UNIT.match(value) if isinstance(value, str) else None
    if found is None:
        return value
    factor = {"in": units.INCH_M * 1000, "inch": units.INCH_M * 1000, "mm": 1.0}.get(found[2].casefold())
    if factor is None:
        raise ValueError(f'"{value}" is not a valve size; write millimetres, or inches such as "6 in"')
    return float(found[1]) * factor


def known_zone(name: str) -> str:
    """The name, if it is an IANA time zone; otherwise ValueError with the nearest one."""
    try:
        zoneinfo.ZoneInfo(name)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError) as exc:
        hint = did_you_mean(name, sorted(zoneinfo.available_timezones()))
        raise ValueError(
            f'"{name}" is not a time zone; use an IANA name such as Europe/London, America/Chicago or UTC'
            + (f"; {hint}" if hint else "")
        ) from exc
    return name


def _unit_name(name: str) -> str:
    try:
        return units.find_unit(name).name
    except RegistryError as exc:
        raise ValueError(str(exc)) from exc


def _clock_time(text: str) -> str:
    found = re.fullmatch(r"(\d{1,2}):(\d{2})", text)
    if found is None or int(found[1]) > 23 or int(found[2]) > 59:
        raise ValueError(f'"{text}" is not a time of day; write "HH:MM", from "00:00" to "23:59"')
    return f"{int(found[1]):02d}:{found[2]}"


def _days(value: Any) -> Any:
    """Reads "daily", "mon-fri", "sat, sun" or a list of days."""
    if not isinstance(value, str | list | tuple):
        return value
    parts = value.split(",") if isinstance(value, str) else list(value)
    days: list[str] = []
    for part in parts:
        first, dash, last = (w.strip().casefold()[:3] for w in str(part).partition("-"))
        if str(part).strip().casefold() in ("daily", "every day"):
            first, dash, last = "mon", "-", "sun"
        if first not in DAYS or (dash and last not in DAYS):
            raise ValueError(f'"{part}" is not a day; write daily, mon-fri, or days such as "sat, sun"')
        i, k = DAYS.index(first), DAYS.index(last if dash else first)
        days += [DAYS[(i + n) % 7] for n in range((k - i) % 7 + 1)]
    return tuple(day for day in DAYS if day in days)


def _one_or_more(value: Any) -> Any:
    return (value,) if isinstance(value, str) else value


def _texts(value: Any) -> Any:
    if isinstance(value, str | int | float) and not isinstance(value, bool):
        value = (value,)
    return tuple(str(v) for v in value) if isinstance(value, list | tuple) else value


def _tab(value: Any) -> Any:
    words = {"tab": "\t", "\\t": "\t", "comma": ",", "semicolon": ";", "pipe": "|"}
    return words.get(value.casefold(), value) if isinstance(value, str) else value


Kpa = Annotated[float, BeforeValidator(_pressure), Field(allow_inf_nan=False)]
Lps = Annotated[float, BeforeValidator(_flow), Field(allow_inf_nan=False)]
KvM3h = Annotated[float, BeforeValidator(_kv), Field(gt=0, allow_inf_nan=False)]
SizeMm = Annotated[float, BeforeValidator(_millimetres), Field(gt=0, le=3000)]
Number = Annotated[float, Field(allow_inf_nan=False)]
UnitName = Annotated[str, AfterValidator(_unit_name)]
TimeZone = Annotated[str, AfterValidator(known_zone)]
ClockTime = Annotated[str, AfterValidator(_clock_time)]
Days = Annotated[tuple[str, ...], BeforeValidator(_days), Field(min_length=1)]
Paths = Annotated[tuple[str, ...], BeforeValidator(_one_or_more), Field(min_length=1)]
Texts = Annotated[tuple[str, ...], BeforeValidator(_texts)]
Delimiter = Annotated[str, BeforeValidator(_tab), Field(min_length=1, max_length=1)]
