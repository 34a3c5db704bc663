"""From a verdict to the alert that people get: causes, field checks and hints for this very station."""

from __future__ import annotations

import math

from steadyhead.alerts.lifecycle import replayed_state
from steadyhead.alerts.model import Alert, Cause, DataWindow, FieldCheck, Verdict, utc
from steadyhead.config.model import Station
from steadyhead.diagnosis.causes import Knowledge, applies
from steadyhead.diagnosis.hints import work_out
from steadyhead.units import UNIT_SYSTEMS, UnitSystem

CONFIDENCE_DECIMALS = 3
MAGNITUDE_DIGITS = 4  # significant; no instrument of a station is better than that


def to_alert(
    verdict: Verdict,
    station: Station,
    knowledge: Knowledge,
    units: UnitSystem = UNIT_SYSTEMS["kpa_lps"],
) -> Alert:
    """The alert of a verdict, in the state a replay leaves it in (nobody has acknowledged it).

    units : the system people see; used in the hints' texts only, numbers of the alert stay in kPa and L/s
    Numbers of ``magnitude`` that are not finite are left out.
    """
    traits = traits_of(verdict)
    return Alert(
        alert_id=verdict.alert_id,
        station=verdict.station,
        condition=verdict.condition,
        state=replayed_state(has_ended=verdict.ended_s is not None),
        priority=knowledge.entries[verdict.condition].priority,
        began_at=utc(verdict.began_s),
        raised_at=utc(verdict.raised_s),
        updated_at=utc(looked_at_s(verdict)),
        ended_at=None if verdict.ended_s is None else utc(verdict.ended_s),
        confidence=round(float(verdict.confidence), CONFIDENCE_DECIMALS),
        runners_up=verdict.runners_up,
        magnitude={
            name: float(f"{value:.{MAGNITUDE_DIGITS}g}")
            for name, value in verdict.magnitude.items()
            if math.isfinite(value)
        },
        evidence=verdict.evidence,
        likely_causes=likely_causes(verdict, knowledge, traits),
        field_checks=field_checks(verdict, station, knowledge, units, traits),
        profile_version=verdict.profile_version,
        data_window=DataWindow(utc(verdict.window_s[0]), utc(verdict.window_s[1])),
    )


def looked_at_s(verdict: Verdict) -> int:
    """Last data time at which the answer was looked at: while it lasts, up to the last data there is."""
    if verdict.ended_s is not None:
        return verdict.updated_s
    return max(verdict.updated_s, verdict.window_s[1])


def traits_of(verdict: Verdict) -> dict[str, str]:
    """The words that choose causes and checks; the direction follows from the departure if nobody said it."""
    departure_kpa = verdict.number("departure_kpa")
    if not departure_kpa:
        return dict(verdict.traits)
    return {"direction": "up" if departure_kpa > 0 else "down", **verdict.traits}


def likely_causes(verdict: Verdict, knowledge: Knowledge, traits: dict[str, str]) -> tuple[Cause, ...]:
    """Causes that apply, most likely first; the order of the file decides between equals."""
    causes = [
        Cause(entry.key, entry.text, entry.likelihood)
        for entry in knowledge.entries[verdict.condition].causes
        if applies(entry.when, traits)
    ]
    return tuple(sorted(causes, key=lambda cause: -cause.likelihood))


def field_checks(
    verdict: Verdict, station: Station, knowledge: Knowledge, units: UnitSystem, traits: dict[str, str]
) -> tuple[FieldCheck, ...]:
    """Checks that apply, in the order to do them, with cautions and what could be worked out."""
    entries = [entry for entry in knowledge.entries[verdict.condition].checks if applies(entry.when, traits)]
    return tuple(
        FieldCheck(
            order=n,
            text=entry.text,
            why=entry.why,
            hint=None if entry.hint is None else work_out(entry.hint, verdict, station, units),
            effort=entry.effort,
            cautions=knowledge.cautions_of(entry),
        )
        for n, entry in enumerate(entries, start=1)
    )
