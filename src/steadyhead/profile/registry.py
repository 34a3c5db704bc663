"""What the registry says of the set pressure, against what the span held.

Droop, lock-up and a transmitter's error together stay below 6 % of set (common practice, no source), so up to
there the two agree and the span's own number is used. Beyond it either the station was at fault while it was
learned, or the number on paper is old; readings alone cannot tell which. So:

- Where days of the span contradict each other and the registry sides with some of them, learning follows
  those days, even if they are the fewer.
- Where the whole span contradicts a registry that is ``trusted``, the station is judged from the registry's
  number: what was wrong while it was learned is raised, and clears when it is put right.
- Where it contradicts one that is not, the span is followed, because a number nobody has looked at for years
  must not make a sound station alarm for ever. The profile says so, with both numbers and what to do.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from steadyhead.profile.known import Known
from steadyhead.profile.model import Profile, SetPressure
from steadyhead.profile.span import Parts, Span
from steadyhead.profile.steadiness import daily_levels, days_as_parts
from steadyhead.types import BoolArray

TOLERANCE = 0.06  # of set: see above
APART = 0.03  # of set: days that differ by more did not hold one pressure (droop of a day's demand: 1 to 2 %)
ALIKE = 0.02  # of set: days that held one pressure
LEAST_DAYS = 3
LEAST_SHARE = 0.2  # of the days; fewer may be an accident
DAY_S = 86400


def declared_kpa(set_pressure: SetPressure, known: Known) -> float | None:
    """What the registry says of the pressure that is usually held; None where it says nothing of it."""
    if set_pressure.source == "schedule declared":
        return set_pressure.typical_kpa - (set_pressure.slots_kpa[0] - known.schedule_kpa[0])
    if set_pressure.source == "learned":
        return known.nominal_kpa
    if set_pressure.source == "schedule learned" and known.nominal_kpa is not None:
        # one number on paper for a station that has a schedule: the level nearest to it is meant
        levels = np.asarray(set_pressure.slots_kpa)
        nearest = float(levels[np.argmin(np.abs(levels - known.nominal_kpa))])
        return known.nominal_kpa + set_pressure.typical_kpa - nearest
    return None


def days_against(span: Span, known: Known, profile: Profile) -> Parts:
    """Days to leave out because other days and the registry agree against them, as stretches of time."""
    set_pressure = profile.set_pressure
    declared = declared_kpa(set_pressure, known)
    if declared is None or set_pressure.source == "schedule learned":
        return []
    levels = daily_levels(span, profile)
    nominal = declared / set_pressure.typical_kpa - 1.0
    seen = np.flatnonzero(np.isfinite(levels))
    if len(seen) < LEAST_DAYS or abs(nominal) <= APART:
        return []
    by_nearness = seen[np.argsort(np.abs(levels[seen] - nominal), kind="stable")]
    anchor = float(np.median(levels[by_nearness[:LEAST_DAYS]]))
    recognised = abs(anchor - nominal) <= TOLERANCE
    sided = abs(anchor) > APART and 2.0 * abs(anchor - nominal) < abs(nominal)
    agree = np.abs(levels - anchor) <= ALIKE
    if not (recognised and sided and agree.sum() >= max(LEAST_DAYS, LEAST_SHARE * len(seen))):
        return []
    return _stretches(np.isfinite(levels) & ~agree, span)


def _stretches(days: BoolArray, span: Span) -> Parts:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], days.astype(np.int8), [0]])))
    return days_as_parts([(a, b - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)], span.start_s)


def left_out_line(held_kpa: float, profile: Profile, known: Known) -> str:
    """Why days were left out, and what to do if they should not have been."""
    declared = declared_kpa(profile.set_pressure, known) or float("nan")
    return (
        f"in which the station held {held_kpa:.0f} kPa. On other days it held "
        f"{profile.set_pressure.typical_kpa:.0f} kPa, and the registry, which says {declared:.0f} kPa, "
        "agrees with those. If the change was meant, write the new pressure into the registry and learn "
        "again."
    )


def settled(profile: Profile, known: Known) -> Profile:
    """The profile, judged from the registry's number where that is trusted and the span held another.

    Also notes both numbers, and says in a remark which of them is followed and what to do.
    """
    held = profile.set_pressure
    declared = declared_kpa(held, known)
    if held.source == "commanded":
        return _with_remark(profile, _of_command(held))
    if declared is None or abs(held.typical_kpa / declared - 1.0) <= TOLERANCE:
        return profile
    off_kpa = declared - held.typical_kpa
    noted = replace(held, registry_kpa=declared, held_kpa=held.typical_kpa)
    says = (
        f"The span looks faulty, or the registry is wrong: the registry says {declared:.0f} kPa, "
        f"the span held {held.typical_kpa:.0f} kPa ({-off_kpa / declared:+.0%})."
    )
    if held.source == "schedule declared":
        says = (
            f"The span looks faulty, or the registry is wrong: the span held {abs(off_kpa):.0f} kPa "
            f"{'less' if off_kpa > 0 else 'more'} than the registry's schedule says "
            f"({-off_kpa / declared:+.0%})."
        )
    if not known.trusted:
        return _with_remark(
            replace(profile, set_pressure=noted),
            f"{says} The registry's number is not marked as trusted, so departures are judged from what the "
            "span held. Compare the transmitter with a gauge. If the registry is right, write trusted: true "
            "under set_pressure and learn again, and the station is alerted until it is put right; if the "
            "span is right, correct the registry.",
        )
    moved = replace(
        noted,
        typical_kpa=declared,
        slots_kpa=tuple(v + off_kpa for v in held.slots_kpa),
    )
    lock_up = replace(profile.lock_up, lock_up_kpa=profile.lock_up.lock_up_kpa + off_kpa)
    return _with_remark(
        replace(profile, set_pressure=moved, lock_up=lock_up),
        f"{says} The registry is marked as trusted, so departures are judged from its number, and the "
        "station is alerted until it holds that. Compare the transmitter with a gauge, then look at pilot "
        "and strainer; if the span was right after all, correct the registry and learn again.",
    )


def _of_command(held: SetPressure) -> str:
    """A sentence where the station did not follow what it was told."""
    commanded_kpa = held.typical_kpa - held.command_offset_kpa
    off = held.command_offset_kpa / commanded_kpa
    if abs(off) <= TOLERANCE:
        return ""
    return (
        f"The station was told to hold {commanded_kpa:.0f} kPa and held {held.typical_kpa:.0f} kPa "
        f"({off:+.0%}): either its command has another unit or scale than the registry says, or it did not "
        "follow while it was learned. Departures are judged from what it held; check the tag's unit, then "
        "learn again."
    )


def _with_remark(profile: Profile, remark: str) -> Profile:
    return replace(profile, remarks=(*profile.remarks, remark)) if remark else profile
