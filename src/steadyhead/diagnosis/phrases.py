"""How numbers are said: turns, lengths of time, shares, flow coefficients, times at the station."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

from steadyhead.units import KV_PER_CV, UnitSystem


def turns_text(turns: float) -> str:
    """Turns of a screw as people say them, to the nearest quarter; an eighth below that."""
    quarters = round(turns * 4)
    if turns < 1 / 16:
        return "less than an eighth of a turn"
    if quarters == 0 or turns < 3 / 16:
        return "an eighth of a turn"
    whole, rest = divmod(quarters, 4)
    part = ("", "a quarter", "a half", "three quarters")[rest]
    if whole == 0:
        return ("", "a quarter turn", "half a turn", "three quarters of a turn")[rest]
    if rest == 0:
        return "one turn" if whole == 1 else f"{whole} turns"
    return f"{whole} and {part} turns"


def local_time(epoch_s: float, time_zone: str, form: str = "%a %d %b %Y %H:%M") -> str:
    """Time at the station, as people there say it."""
    return datetime.fromtimestamp(epoch_s, tz=ZoneInfo(time_zone)).strftime(form)


def duration_text(seconds: float) -> str:
    """Length of time with one unit: 9.8 s, 45 s, 3 min, 2.5 h, 4 days."""
    for size, scale, unit in ((172_800, 86_400, "days"), (5_400, 3_600, "h"), (120, 60, "min")):
        if seconds >= size:
            return f"{_short(seconds / scale)} {unit}"
    return f"{_short(seconds)} s"


def _short(value: float) -> str:
    """One decimal below ten, where it says something; none above."""
    return f"{value:.0f}" if value >= 9.95 else f"{value:.1f}".removesuffix(".0")


def kv_text(kv_m3h: float, units: UnitSystem) -> str:
    """Flow coefficient as valve papers print it: Cv where people read psi and gpm, else Kv."""
    if units.pressure == "psi":
        return f"Cv {kv_m3h / KV_PER_CV:.3g}"
    return f"Kv {kv_m3h:.3g}"


def percent(share: float) -> str:
    """A share of one as a percentage: whole from 10 %, with one decimal below."""
    return f"{share * 100:.0f} %" if abs(share) >= 0.0995 else f"{share * 100:.1f} %"


def times_text(ratio: float) -> str:
    """A ratio: 1.1 times, 0.96 times."""
    return f"{ratio:.1f} times" if ratio >= 1 else f"{ratio:.2f} times"
