"""A case: one station, a span to learn from, a span to judge, and what happens in the second.

The sets lie beside this module, as ``development.json`` and so on: one case a line, every parameter written
out, so that a run draws nothing.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field, fields
from pathlib import Path
from typing import Any

from steadyhead.errors import PlantError
from steadyhead.profile.known import Known
from steadyhead.proving_plant import (
    District,
    Event,
    Fault,
    Inlet,
    Instruments,
    MainValve,
    Neighbour,
    NightWithout,
    PilotCircuit,
    Scenario,
    SmallValve,
    StationDesign,
)

HERE = Path(__file__).parent
SETS = ("development", "broadened", "redrawn")
DAY_S = 86400
PARTS: dict[str, type[Any]] = {
    "valve": MainValve,
    "pilot": PilotCircuit,
    "district": District,
    "inlet": Inlet,
    "small_valve": SmallValve,
}
DISTRICT_PARTS: dict[str, type[Any]] = {"night_without": NightWithout, "neighbour": Neighbour}


@dataclass(frozen=True, slots=True)
class Happening:
    """A fault or an event of a case.

    from_h, to_h : hours from the start of the judged span, negative while learning; to_h None: it stays
    """

    kind: str
    from_h: float
    to_h: float | None = None
    ramp_h: float = 0.0
    severity: float = 0.0
    size: float = 0.0
    period_s: float | None = None
    channel: str = "outlet"


@dataclass(frozen=True, slots=True)
class Case:
    """Everything a trial needs; see ``station_of`` for the keys of ``station``.

    group, kind, wanted : what it stands for, and the state and severity it was drawn to reach
    start_s : seconds since 1970-01-01 UTC, a whole day; learn_days, test_days : spans that follow each other
    instruments : fields of ``Instruments`` that differ from the default
    told : what the registry says of the station ("nominal", "rated", "cutoff", "schedule")
    """

    id: str
    group: str
    kind: str
    wanted: str
    severity: str
    seed: int
    interval_s: int
    start_s: int
    learn_days: int
    test_days: int
    time_zone: str
    station: dict[str, Any]
    instruments: dict[str, Any]
    told: tuple[str, ...] = ()
    faults: tuple[Happening, ...] = ()
    events: tuple[Happening, ...] = ()
    before: tuple[Happening, ...] = field(default=())

    @property
    def test_s(self) -> int:
        """Start of the judged span, seconds since 1970-01-01 UTC."""
        return self.start_s + self.learn_days * DAY_S

    @property
    def end_s(self) -> int:
        """End of the judged span."""
        return self.test_s + self.test_days * DAY_S

    @property
    def begins_s(self) -> float:
        """When the first fault or event of the judged span begins; its end for a case without any."""
        hours = [h.from_h for h in (*self.faults, *self.events)]
        return self.test_s + 3600.0 * min(hours) if hours else float(self.end_s)

    @property
    def ends_s(self) -> float:
        """When the last of them ends; the end of the span where one stays."""
        ends = [h.to_h for h in (*self.faults, *self.events)]
        if not ends or any(e is None for e in ends):
            return float(self.end_s)
        return min(float(self.end_s), self.test_s + 3600.0 * max(e for e in ends if e is not None))


def load_cases(name: str) -> list[Case]:
    """The cases of a set, in file order.

    Raises PlantError if there is no such set or its file cannot be read.
    """
    if name not in SETS:
        raise PlantError(f"{name!r} is no set of cases; use one of {', '.join(SETS)}")
    path = HERE / f"{name}.json"
    try:
        rows = json.loads(path.read_text(encoding="utf-8"))["cases"]
    except (OSError, ValueError, KeyError) as exc:
        raise PlantError(f"{path}: cannot be read as a set of cases ({exc}); draw it again") from exc
    return [case_of(row) for row in rows]


def case_of(row: dict[str, Any]) -> Case:
    """A case from its line of JSON."""
    lists = {key: tuple(Happening(**h) for h in row.get(key, ())) for key in ("faults", "events", "before")}
    return Case(**{**row, **lists, "told": tuple(row.get("told", ()))})


def row_of(case: Case) -> dict[str, Any]:
    """A case as it is written: defaults of its happenings are left out."""
    row = asdict(case)
    plain = asdict(Happening("", 0.0))
    for key in ("faults", "events", "before"):
        row[key] = [
            {k: v for k, v in h.items() if k in ("kind", "from_h") or v != plain[k]} for h in row[key]
        ]
        if not row[key]:
            del row[key]
    return row


def station_of(row: dict[str, Any]) -> StationDesign:
    """The station of a case; parts and fields left out are the plant's defaults."""
    parts = dict(row)
    for name, part in PARTS.items():
        if name in parts:
            parts[name] = part(**_with_parts(parts[name]))
    parts["schedule"] = tuple((float(hour), float(kpa)) for hour, kpa in parts.get("schedule", ()))
    return StationDesign(**parts)


def _with_parts(row: dict[str, Any]) -> dict[str, Any]:
    return {k: DISTRICT_PARTS[k](**v) if k in DISTRICT_PARTS and v is not None else v for k, v in row.items()}


def station_row(design: StationDesign) -> dict[str, Any]:
    """A station as it is written: four significant digits, defaults left out."""
    row: dict[str, Any] = {"set_kpa": _short(design.set_kpa)}
    for name, part in PARTS.items():
        value = getattr(design, name)
        if value is not None:
            row[name] = _part_row(value, part())
    if design.schedule:
        row["schedule"] = [[hour, _short(kpa)] for hour, kpa in design.schedule]
    return row


def _part_row(value: Any, default: Any) -> dict[str, Any]:
    row: dict[str, Any] = {}
    for field_ in fields(value):
        own, usual = getattr(value, field_.name), getattr(default, field_.name)
        if own == usual:
            continue
        if field_.name in DISTRICT_PARTS:
            row[field_.name] = {k: _short(v) for k, v in asdict(own).items()}
        else:
            row[field_.name] = _short(own)
    return row


def _short(value: Any) -> Any:
    return float(f"{value:.4g}") if isinstance(value, float) else value


def scenario_of(case: Case) -> Scenario:
    """The whole run of a case: learning span, then judged span."""
    at = case.test_s
    faults = [Fault(h.kind, at + 3600.0 * h.from_h, 3600.0 * h.ramp_h, h.severity) for h in case.faults]
    return Scenario(
        name=case.id,
        design=station_of(case.station),
        instruments=Instruments(interval_s=case.interval_s, **case.instruments),
        start_s=case.start_s,
        duration_s=(case.learn_days + case.test_days) * DAY_S,
        faults=tuple(faults),
        events=tuple(event_of(h, at) for h in (*case.before, *case.events)),
        seed=case.seed,
        time_zone=case.time_zone,
    )


def event_of(h: Happening, test_s: int) -> Event:
    """A happening as the plant takes it."""
    ends_s = float("inf") if h.to_h is None else test_s + 3600.0 * h.to_h
    return Event(h.kind, test_s + 3600.0 * h.from_h, ends_s, h.size, h.period_s, h.channel)


def known_of(case: Case) -> Known:
    """What the registry would say of the station."""
    told, station = case.told, case.station
    scheduled = bool(station.get("schedule"))
    return Known(
        time_zone=case.time_zone,
        averaged=bool(case.instruments.get("averaged", False)),
        on_change=bool(case.instruments.get("on_change", False)),
        nominal_kpa=station["set_kpa"] if "nominal" in told and not scheduled else None,
        schedule_kpa=_week(station) if "schedule" in told and scheduled else (),
        rated_kv_m3h=station["valve"]["kv_m3h"] if "rated" in told else None,
        cutoff_lps=case.instruments.get("cutoff_lps") if "cutoff" in told else None,
    )


def _week(station: dict[str, Any]) -> tuple[float, ...]:
    """Declared set of each quarter hour of the week [kPa]."""
    steps = sorted(station["schedule"])
    day = []
    for quarter in range(96):
        past = [kpa for hour, kpa in steps if hour <= quarter / 4.0]
        day.append(past[-1] if past else steps[-1][1])
    return tuple(day * 7)
