"""Scenarios from short texts, as a person types them: ``seat_worn=0.6@25+2``."""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from steadyhead.errors import PlantError
from steadyhead.proving_plant.district import District, Neighbour, NightWithout
from steadyhead.proving_plant.events import EVENTS, Event
from steadyhead.proving_plant.faults import FAULTS, Fault
from steadyhead.proving_plant.instruments import DAY_S, Instruments
from steadyhead.proving_plant.scenario import Scenario, StationDesign, commissioned

EVENTS_WITHOUT_SIZE = frozenset({"transmitter_stuck", "tags_swapped", "flow_meter_dead", "data_gap"})
CHANNELS = ("outlet", "inlet", "flow")
USUAL_SEVERITY = 0.5
HEALTHY_SHARE = 0.7  # of the span, before something happens where nobody said when
_ASKED = re.compile(
    r"(?P<kind>[a-z_]+)(:(?P<channel>[a-z]+))?(=(?P<size>-?[\d.]+))?(@(?P<day>[\d.]+))?(\+(?P<days>[\d.]+))?\Z"
)

DISTRICTS: dict[str, District] = {
    "usual": District(),
    "closed-nights": District(night_without=NightWithout(), leakage_lps=0.0),
    "two-feeds": District(neighbour=Neighbour(outlet_kpa=395.0, resistance=6.0)),
}
"""Kinds of district by the name they are asked for."""


@dataclass(frozen=True, slots=True)
class Asked:
    """What the plant is to make.

    faults, events : texts, see ``fault_from`` and ``event_from``
    start_s : seconds since 1970-01-01 UTC, on a whole day
    """

    name: str
    days: int
    interval_s: int
    start_s: int
    seed: int = 1
    time_zone: str = "UTC"
    district: str = "usual"
    faults: Sequence[str] = ()
    events: Sequence[str] = ()

    def scenario(self) -> Scenario:
        """The scenario asked for.

        Raises PlantError if a text cannot be read, a kind is not known, or something begins after the end.
        """
        usual_day = round(HEALTHY_SHARE * self.days, 2)
        design = commissioned(StationDesign(district=DISTRICTS[self.district]))
        return Scenario(
            name=self.name,
            design=design,
            instruments=Instruments(interval_s=self.interval_s),
            start_s=self.start_s,
            duration_s=self.days * DAY_S,
            faults=tuple(fault_from(text, self.start_s, self.days, usual_day) for text in self.faults),
            events=tuple(event_from(text, self.start_s, self.days, usual_day) for text in self.events),
            seed=self.seed,
            time_zone=self.time_zone,
        )

    def learn_until_s(self) -> int:
        """End of the span to learn from: a day before anything happens, else the usual share of the span."""
        first = self.scenario().first_change_s
        usual = self.start_s + HEALTHY_SHARE * self.days * DAY_S
        return int(min(first - DAY_S, usual) // 3600 * 3600) if first > self.start_s + DAY_S else int(usual)


def fault_from(text: str, start_s: float, days: float, usual_day: float) -> Fault:
    """A fault from ``KIND=SEVERITY@DAY+DAYS``: begins on that day, takes that many days to grow.

    Severity is 0.5, the start ``usual_day`` and the growth at once where not given. Raises PlantError.
    """
    found = _parts(text, FAULTS, "fault", days)
    if found["channel"]:
        raise PlantError(
            f'fault "{text}": ":{found["channel"]}" is for events on an instrument; leave it out'
        )
    severity = float(found["size"]) if found["size"] else USUAL_SEVERITY
    if not 0.0 < severity <= 1.0:
        raise PlantError(f'fault "{text}": severity {severity:g} has to be above 0 and at most 1')
    begins_s = start_s + float(found["day"] or usual_day) * DAY_S
    return Fault(found["kind"], begins_s, float(found["days"] or 0.0) * DAY_S, severity)


def event_from(text: str, start_s: float, days: float, usual_day: float) -> Event:
    """An event from ``KIND:CHANNEL=SIZE@DAY+DAYS``: begins on that day, lasts that many days.

    It stays where no length is given. Raises PlantError, also where the kind needs a size and has none.
    """
    found = _parts(text, EVENTS, "event", days)
    kind, channel = found["kind"], found["channel"] or "outlet"
    if channel not in CHANNELS:
        raise PlantError(f'event "{text}": "{channel}" is no channel; use {", ".join(CHANNELS)}')
    if not found["size"] and kind not in EVENTS_WITHOUT_SIZE:
        raise PlantError(
            f'event "{text}": needs a size, such as {kind}=10 ({EVENTS[kind].meaning}); '
            "see steadyhead plant --list"
        )
    begins_s = start_s + float(found["day"] or usual_day) * DAY_S
    event = Event(kind, begins_s, size=float(found["size"] or 0.0), channel=channel)
    return replace(event, ends_s=begins_s + float(found["days"]) * DAY_S) if found["days"] else event


def _parts(text: str, kinds: Mapping[str, object], word: str, days: float) -> dict[str, str]:
    found = _ASKED.match(text.strip())
    if found is None:
        raise PlantError(
            f'{word} "{text}" cannot be read; write KIND=SIZE@DAY+DAYS, such as seat_worn=0.6@25+2'
        )
    parts = {name: value or "" for name, value in found.groupdict().items()}
    if parts["kind"] not in kinds:
        near = difflib.get_close_matches(parts["kind"], kinds, n=1)
        hint = f"; did you mean {near[0]}?" if near else ""
        raise PlantError(f'{word} "{parts["kind"]}" is not known; see steadyhead plant --list{hint}')
    for name in ("size", "day", "days"):
        try:
            float(parts[name] or 0)
        except ValueError as exc:
            raise PlantError(f'{word} "{text}": "{parts[name]}" is not a number; write it as 2.5') from exc
    if float(parts["day"] or 0) >= days:
        raise PlantError(
            f'{word} "{text}": day {parts["day"]} is not within the {days:g} days; give an earlier one'
        )
    return parts
