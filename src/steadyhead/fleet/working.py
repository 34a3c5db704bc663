"""What is done with a lot: read it, learn it, scan it. The same here and in a worker; nothing is written."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from steadyhead import service
from steadyhead.alerts.model import Alert, Verdict
from steadyhead.diagnosis.causes import Knowledge
from steadyhead.diagnosis.checks import to_alert
from steadyhead.errors import ProfileError, SteadyheadError
from steadyhead.fleet.lots import Lot
from steadyhead.fleet.outcome import DRAW, KNOW, LEARN, READ, SCAN, Found, Outcome
from steadyhead.fleet.readings import Readable
from steadyhead.fleet.spans import Asked, Bounds
from steadyhead.fleet.told import At, Finished, Tell
from steadyhead.profile.learn import learn
from steadyhead.profile.model import Profile
from steadyhead.readings.frame import Readings
from steadyhead.report.band import Band
from steadyhead.store.profiles import load_profile


@dataclass(frozen=True, slots=True)
class Learning:
    """Learn each station of a lot.

    source : where readings come from; span : what to learn from
    """

    source: Readable
    span: Asked

    def __call__(self, lot: Lot, tell: Tell) -> Outcome:
        """Profiles, and what could not be read or learned."""
        outcome = Outcome()
        bounds_s = {name: self.span.bounds_s(lot.registry.stations[name]) for name in lot.names}
        _learned(lot, _read(self.source, lot, bounds_s, outcome, tell), self.span, outcome, tell)
        return outcome


@dataclass(frozen=True, slots=True)
class Scanning:
    """Replay each station of a lot.

    learning : what to learn from first; None takes the profiles in ``profiles``
    span : what to replay; draws : whether the evidence of each alert is drawn
    """

    source: Readable
    span: Asked
    profiles: Path
    knowledge: Knowledge
    learning: Asked | None = None
    draws: bool = True

    def __call__(self, lot: Lot, tell: Tell) -> Outcome:
        """Alerts, profiles, and what could not be read, learned or scanned."""
        outcome = Outcome()
        bounds_s = {name: self._needed_s(lot, name) for name in lot.names}
        read = _read(self.source, lot, bounds_s, outcome, tell)
        if self.learning is not None:
            _learned(lot, read, self.learning, outcome, tell)
        else:
            self._look_up(read, outcome)
        alerts = self._scanned(lot, read, outcome, tell)
        if self.draws:
            _drawn(self, lot, alerts, outcome, tell)
        else:
            outcome.found = [Found(self.alert(lot, verdict)) for _, _, verdict in alerts]
        return outcome

    def _needed_s(self, lot: Lot, name: str) -> Bounds:
        """What is needed of a station: what is replayed, and what is learned from."""
        station = lot.registry.stations[name]
        spans = [span.bounds_s(station) for span in (self.span, self.learning) if span is not None]
        begins, ends = [a for a, _ in spans if a is not None], [b for _, b in spans if b is not None]
        return (
            min(begins) if len(begins) == len(spans) else None,
            max(ends) if len(ends) == len(spans) else None,
        )

    def _look_up(self, read: dict[str, Readings], outcome: Outcome) -> None:
        for name, readings in read.items():
            try:
                outcome.profiles[name] = load_profile(self.profiles, name, readings.step_s)
            except ProfileError as exc:
                outcome.problems[KNOW][name] = str(exc)

    def _scanned(
        self, lot: Lot, read: dict[str, Readings], outcome: Outcome, tell: Tell
    ) -> list[tuple[Readings, Profile, Verdict]]:
        units = lot.registry.settings.units
        found: list[tuple[Readings, Profile, Verdict]] = []

        def one(name: str) -> None:
            span = self.span.cut(read[name], lot.registry.stations[name])
            profile = outcome.profiles[name]
            found.extend((span, profile, v) for v in service.scan_station(span, profile, units))

        for name, line in _each(SCAN, lot, list(outcome.profiles), one, tell).items():
            outcome.problems[SCAN][name] = line
            del outcome.profiles[name]
        return found

    def alert(self, lot: Lot, verdict: Verdict) -> Alert:
        """A verdict with its causes and checks."""
        station = lot.registry.stations[verdict.station]
        return to_alert(verdict, station, self.knowledge, lot.registry.settings.units)


def _read(
    source: Readable, lot: Lot, bounds_s: dict[str, Bounds], outcome: Outcome, tell: Tell
) -> dict[str, Readings]:
    began = time.perf_counter()
    loaded = source.read(lot, bounds_s, lambda name, share: tell(At(READ, name, share * len(lot))))
    outcome.steps_s = {name: readings.step_s for name, readings in loaded.readings.items()}
    outcome.rejects, outcome.problems[READ] = loaded.rejects, loaded.problems
    rows = sum(len(readings) for readings in loaded.readings.values())
    tell(Finished(READ, len(lot), len(loaded.readings), time.perf_counter() - began, rows))
    return loaded.readings


def _learned(lot: Lot, read: dict[str, Readings], span: Asked, outcome: Outcome, tell: Tell) -> None:
    def one(name: str) -> None:
        station = lot.registry.stations[name]
        known = service.known(station, lot.registry.settings)
        outcome.profiles[name] = learn(span.cut(read[name], station), known)

    for name, line in _each(LEARN, lot, list(read), one, tell).items():
        where = span.where(lot.registry.stations[name])
        outcome.problems[LEARN][name] = f"{line} (the span is {where})"


def _drawn(
    task: Scanning, lot: Lot, alerts: list[tuple[Readings, Profile, Verdict]], outcome: Outcome, tell: Tell
) -> None:
    from steadyhead.report.plots import alert_picture  # its library takes a second to load

    began = time.perf_counter()
    units = lot.registry.settings.units
    bands: dict[str, Band] = {}
    for n, (readings, profile, verdict) in enumerate(alerts):
        name = verdict.station
        tell(At(DRAW, name, n / len(alerts) * len(lot)))
        if name not in bands:
            bands = {name: service.band(readings, profile)}
        title = task.knowledge.entries[verdict.condition].title
        zone = lot.registry.stations[name].time_zone
        picture = None
        try:
            picture = alert_picture(verdict, readings, bands[name], units, time_zone=zone, title=title)
        except SteadyheadError as exc:
            outcome.problems[DRAW][name] = f"{name}: scanned, but its plot cannot be drawn: {exc}"
        outcome.found.append(Found(task.alert(lot, verdict), picture))
    tell(Finished(DRAW, len(lot), len(alerts), time.perf_counter() - began))


def _each(step: str, lot: Lot, names: list[str], act: Callable[[str], None], tell: Tell) -> dict[str, str]:
    """Do one thing with each station; returns a line for each that it failed with."""
    began = time.perf_counter()
    failed: dict[str, str] = {}
    for n, name in enumerate(names):
        tell(At(step, name, n / len(names) * len(lot)))
        try:
            act(name)
        except SteadyheadError as exc:
            failed[name] = str(exc)
    tell(Finished(step, len(lot), len(names) - len(failed), time.perf_counter() - began))
    return failed
