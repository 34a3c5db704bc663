"""What was learned of a station, in plain words with numbers, and what could not be learned."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

from steadyhead.conditions.hunting import (
    ALWAYS_RESOLVED_S,
    LONGEST_S,
    LONGEST_SAMPLES,
    RESOLVED_SAMPLES,
)
from steadyhead.diagnosis.phrases import duration_text, kv_text, local_time, percent
from steadyhead.profile.model import Profile
from steadyhead.readings.ticks import FINEST_TICK_S
from steadyhead.units import UnitSystem

Facts = list[tuple[str, str]]
"""Pairs of a name and what is said of it."""

DAY_S = 86_400
NO_INLET_RATIO = 0.0005  # less than this would be shown as 0.0 %
FAR_ABOVE_KV_M3H = 1e8  # a Kv that was never learned is set to a number no valve reaches


def learned_facts(profile: Profile, units: UnitSystem) -> Facts:
    """What was learned, most important first."""
    facts = [
        ("Learned from", _span(profile)),
        ("Set pressure", _set_pressure(profile, units)),
    ]
    if profile.has_flow:
        facts.append(("Droop", _droop(profile, units)))
    facts.append(("Scatter", _scatter(profile, units)))
    if profile.has_flow:
        facts.append(("Lock-up", _lock_up(profile, units)))
        facts.append(("Flow", _flow(profile, units)))
    if profile.has_flow and profile.has_inlet:
        facts.append(("Flow coefficient", _kv(profile, units)))
    facts.append(("Alerts begin at", _thresholds(profile, units)))
    facts.append(("Hunting", _hunting_reach(profile)))
    return facts


def learned_line(profile: Profile, units: UnitSystem) -> str:
    """What was learned in one line: the set pressure, from how much, and what is not judged."""
    line = f"{profile.station}: holds {_set_levels(profile, units)}{_against(profile, units)}, "
    line += f"learned from {_days(profile)}"
    return f"{line}; not judged: {_names(profile.withheld)}" if profile.withheld else line


def withheld_facts(profile: Profile) -> Facts:
    """Judgements that are not made, and why."""
    by_reason: dict[str, list[str]] = {}
    for judgement, reason in profile.withheld.items():
        by_reason.setdefault(reason, []).append(judgement)
    return [(_names(names), reason) for reason, names in by_reason.items()]


def withheld_line(profiles: Iterable[Profile]) -> str:
    """What is not judged at how many stations, in one sentence; empty if all is judged everywhere."""
    counts = Counter(judgement for profile in profiles for judgement in profile.withheld)
    parts = [f"{_names([name])} at {n}" for name, n in counts.most_common()]
    if not parts:
        return ""
    first, *rest = parts
    first += " station" if counts.most_common(1)[0][1] == 1 else " stations"
    return f"Not judged: {', '.join([first, *rest])}; their profiles say why."


def changed_facts(old: Profile, new: Profile, units: UnitSystem) -> list[tuple[str, str, str]]:
    """What differs between two profiles of a station: name, before, after."""
    before = dict(learned_facts(old, units))
    after = dict(learned_facts(new, units))
    names = [*after, *(name for name in before if name not in after)]
    changed = [(n, before.get(n, "-"), after.get(n, "-")) for n in names if before.get(n) != after.get(n)]
    if old.withheld != new.withheld:
        changed.append(("Withheld", _names(old.withheld), _names(new.withheld)))
    return changed


_SAID = {"unfamiliar": "never seen like this"}  # as the table calls it; the others read as they are


def _names(withheld: Iterable[str]) -> str:
    return ", ".join(_SAID.get(name, name.replace("_", " ")) for name in withheld) or "nothing"


def _days(p: Profile) -> str:
    return f"{(p.to_s - p.from_s) / DAY_S:.3g} days"


def _span(p: Profile) -> str:
    first, last = (local_time(at, p.time_zone, "%d %b %Y") for at in (p.from_s, p.to_s - p.step_s))
    return f"{first} to {last}, {_days(p)}, a reading every {duration_text(p.step_s)}"


def _set_levels(p: Profile, units: UnitSystem) -> str:
    s = p.set_pressure
    if s.source == "commanded" or not s.slots_kpa:
        return units.pressure_text(s.typical_kpa)
    return f"{units.pressure_text(min(s.slots_kpa))} to {units.pressure_text(max(s.slots_kpa))}"


def _against(p: Profile, units: UnitSystem) -> str:
    """Whose number it is, where registry and span contradict each other."""
    s = p.set_pressure
    if s.registry_kpa is None or s.held_kpa is None:
        return ""
    if s.typical_kpa == s.held_kpa:
        return f" as the span held (the registry says {units.pressure_text(s.registry_kpa)})"
    return f" as the registry says (the span held {units.pressure_text(s.held_kpa)})"


def _set_pressure(p: Profile, units: UnitSystem) -> str:
    s = p.set_pressure
    levels = _set_levels(p, units)
    against = _against(p, units)
    if s.source == "commanded":
        return f"as commanded, usually {levels}"
    if not s.slots_kpa:
        return levels + against
    words = {
        "schedule declared": "by the registry's schedule, levels as measured",
        "schedule learned": "by a weekly schedule found in the log",
    }
    how = words.get(s.source, "by hour of the week")
    return f"{levels} {how}, usually {units.pressure_text(s.typical_kpa)}{against}"


def _fine(kpa: float, units: UnitSystem) -> str:
    """A small pressure: one digit more than usual, and never finer than that."""
    decimals = units.pressure_decimals + 1
    least = 10.0**-decimals
    value = units.pressure_from_kpa(kpa)
    if value < least / 2:
        return f"less than {least:.{decimals}f} {units.pressure}"
    return f"{value:.{decimals}f} {units.pressure}"


def _droop(p: Profile, units: UnitSystem) -> str:
    low_lps, high_lps = min(p.rhythm.usual_lps), max(p.rhythm.usual_lps)
    slope_kpa = abs(p.droop.slope_kpa_per_lps)
    way = "falls" if p.droop.slope_kpa_per_lps <= 0 else "rises"
    text = (
        f"the outlet {way} {_fine(slope_kpa * (high_lps - low_lps), units)} as the flow rises from "
        f"{units.flow_text(low_lps)} to {units.flow_text(high_lps)}"
    )
    if p.has_inlet and abs(p.droop.inlet_ratio) < NO_INLET_RATIO:
        text += "; the inlet does not move it"
    elif p.has_inlet:
        against = ", the other way" if p.droop.inlet_ratio < 0 else ""
        text += f"; {percent(abs(p.droop.inlet_ratio))} of what the inlet does reaches it{against}"
    return text


def _scatter(p: Profile, units: UnitSystem) -> str:
    s = p.scatter
    return (
        f"two of three readings lie within {_fine(s.tick_kpa, units)} of what is expected, "
        f"hourly means within {_fine(s.hour_kpa, units)}"
    )


def _lock_up(p: Profile, units: UnitSystem) -> str:
    if p.lock_up.closed_nights == 0:
        return "never seen shut"
    rise_kpa = p.lock_up.lock_up_kpa - p.set_pressure.typical_kpa
    return (
        f"{units.pressure_text(p.lock_up.lock_up_kpa)} when shut, {_fine(abs(rise_kpa), units)} "
        f"{'above' if rise_kpa >= 0 else 'below'} the usual outlet, seen {p.lock_up.closed_nights} times"
    )


def _flow(p: Profile, units: UnitSystem) -> str:
    usual = p.rhythm.usual_lps
    at_low, at_high = usual.index(min(usual)), usual.index(max(usual))
    return (
        f"usually from {units.flow_text(min(usual))} ({_hour(at_low)}) to {units.flow_text(max(usual))} "
        f"({_hour(at_high)}), at most {units.flow_text(p.rhythm.highest_lps)}"
    )


def _hour(hour_of_week: int) -> str:
    day, hour = divmod(hour_of_week, 24)
    return f"{('Mon', 'Tue', 'Wed', 'Thu', 'Fri', 'Sat', 'Sun')[day]} {hour:02d}:00"


def _kv(p: Profile, units: UnitSystem) -> str:
    text = f"usually {kv_text(p.kv.typical_m3h, units)}, at most {kv_text(p.kv.reached_m3h, units)} so far"
    if p.kv.full_m3h < FAR_ABOVE_KV_M3H:
        text += f"; fully open {kv_text(p.kv.full_m3h, units)} ({p.kv.full_source})"
    return text


def _thresholds(p: Profile, units: UnitSystem) -> str:
    t, set_kpa = p.thresholds, p.set_pressure.typical_kpa
    drift, swing = (
        f"{_fine(share * set_kpa, units)} ({percent(share)} of set)"
        for share in (t.drift_share, t.hunting_share)
    )
    many = f"{t.budget_per_year:.3g} false alert{'' if t.budget_per_year == 1 else 's'}"
    return f"drift {drift}, hunting {swing} peak to peak; chosen for {many} a year"


def _hunting_reach(p: Profile) -> str:
    shortest_s = RESOLVED_SAMPLES * p.step_s
    longest_s = LONGEST_S if p.step_s < FINEST_TICK_S else LONGEST_SAMPLES * p.step_s
    text = f"swings of {duration_text(shortest_s)} to {duration_text(longest_s)} are counted"
    if p.on_change:
        return f"{text}; faster ones are lost where values are reported on change"
    if p.step_s > ALWAYS_RESOLVED_S:
        return f"{text}; faster ones show as raised scatter only"
    return text
