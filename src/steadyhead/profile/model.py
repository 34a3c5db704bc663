"""The learned normal of one station: frozen, versioned, readable as JSON."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, fields, is_dataclass
from functools import cache
from types import UnionType
from typing import Any, get_args, get_origin, get_type_hints

from steadyhead.errors import ProfileError

FORMAT = 1


@dataclass(frozen=True, slots=True)
class SetPressure:
    """What the pilot holds.

    typical_kpa : what is expected at usual flow: the median over the span, unless ``held_kpa`` says otherwise
    source : "learned", "schedule learned", "schedule declared", "commanded"
    slots_kpa : 672 quarter hours of the local week from Monday 00:00, or empty where the set is constant
    command_offset_kpa : outlet minus commanded set, where a command is logged
    registry_kpa, held_kpa : what the registry says and what the span held, where they contradict each other;
        ``typical_kpa`` is the registry's where that is trusted, else what was held
    """

    typical_kpa: float
    source: str
    slots_kpa: tuple[float, ...] = ()
    command_offset_kpa: float = 0.0
    registry_kpa: float | None = None
    held_kpa: float | None = None


@dataclass(frozen=True, slots=True)
class Droop:
    """Outlet against flow and inlet, relative to the set pressure.

    flow_lps, offset_kpa : knots of a line through bin medians; linear beyond the last knot
    slope_kpa_per_lps : robust line over all flows
    inlet_ratio : kPa of outlet per kPa of inlet, about ``inlet_kpa``
    """

    flow_lps: tuple[float, ...]
    offset_kpa: tuple[float, ...]
    slope_kpa_per_lps: float
    inlet_ratio: float
    inlet_kpa: float


@dataclass(frozen=True, slots=True)
class Scatter:
    """How far a healthy tick strays from what is expected of it.

    tick_kpa : robust standard deviation of one tick; hour_kpa : of an hour's mean
    move_kpa : usual fast movement (median); move_high_kpa : its 99 %
    still_limit_s : longest run of identical values met
    """

    tick_kpa: float
    hour_kpa: float
    move_kpa: float
    move_high_kpa: float
    still_limit_s: float


@dataclass(frozen=True, slots=True)
class LockUp:
    """Outlet when the station is shut.

    closed_nights : number of closed periods of 20 min or more met; 0 means lock-up was never seen
    lock_up_kpa : typical outlet then; rise_kpa : the same over the set pressure of the hour
    way_high : highest share of the way from lock-up to the inlet met in them
    cutoff_lps : flow at or below which the station counts as shut
    """

    closed_nights: int
    lock_up_kpa: float
    rise_kpa: float
    way_high: float
    cutoff_lps: float


@dataclass(frozen=True, slots=True)
class Kv:
    """Effective Kv the station has shown [m3/h].

    typical : median; reached : 99.9 %; full : fully open, rated or learned wide open
    full_source : "rated", "wide open", "estimated"
    min_differential_kpa : inlet minus outlet below which regulation was not seen or is not expected
    """

    typical_m3h: float
    reached_m3h: float
    full_m3h: float
    full_source: str
    min_differential_kpa: float


@dataclass(frozen=True, slots=True)
class Rhythm:
    """Flow by hour of the local week (168 values each, Monday 00:00 first) [L/s].

    usual_lps : median; high_lps : 98 %; zero_share : share of ticks at or below the cut-off
    highest_lps : 99.9 % of all; daily_mean_lps : mean over the span
    change_lps : 95 % of the change against the mean of the last ten minutes
    """

    usual_lps: tuple[float, ...]
    high_lps: tuple[float, ...]
    zero_share: tuple[float, ...]
    highest_lps: float
    daily_mean_lps: float
    change_lps: float


@dataclass(frozen=True, slots=True)
class Novelty:
    """Joint distribution of hourly features (robustly scaled), as location and inverse covariance.

    names : features; center, scale : robust location and spread of each; precision : row by row
    limit : squared distance beyond which an hour is unfamiliar
    """

    names: tuple[str, ...]
    center: tuple[float, ...]
    scale: tuple[float, ...]
    precision: tuple[tuple[float, ...], ...]
    limit: float


@dataclass(frozen=True, slots=True)
class Usual:
    """What the station's own hours are like, number by number as ``conditions.scene.past`` names them.

    center, spread : median of each over the hours learned from, and 1.4826 times their median distance from
    it
    """

    center: tuple[float, ...]
    spread: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Thresholds:
    """Where judgement starts, met on the station's own history for the stated false-alert budget.

    drift_share : slow mean departure, share of set; enter_share : departure that opens an episode
    hunting_share : counted swing, peak to peak, share of set; scatter_share : the same judged from scatter
    slow_share : sag at a usual rise of demand, share of set; budget_per_year : alerts per station-year
    """

    drift_share: float
    enter_share: float
    hunting_share: float
    scatter_share: float
    slow_share: float
    budget_per_year: float


@dataclass(frozen=True, slots=True)
class Profile:
    """All that was learned of a station, and what could not be learned.

    version : short hash of content; from_s, to_s : span learned from, seconds since 1970-01-01 UTC
    withheld : judgement -> why it is not made; remarks : sentences on the span itself, such as hours left out
    """

    station: str
    version: str
    format: int
    from_s: int
    to_s: int
    step_s: int
    time_zone: str
    averaged: bool
    on_change: bool
    has_inlet: bool
    has_flow: bool
    set_pressure: SetPressure
    droop: Droop
    scatter: Scatter
    lock_up: LockUp
    kv: Kv
    rhythm: Rhythm
    novelty: Novelty | None
    thresholds: Thresholds
    withheld: dict[str, str]
    remarks: tuple[str, ...]
    usual: Usual | None = None


def to_json(profile: Profile) -> str:
    """Profile as indented JSON, numbers rounded to six significant digits."""
    return json.dumps(_rounded(asdict(profile)), indent=1, ensure_ascii=False) + "\n"


def from_json(text: str, where: str) -> Profile:
    """Profile from JSON.

    Raises ProfileError if the text is no profile of this format; ``where`` names the file in the message.
    """
    try:
        data = json.loads(text)
        if data.get("format") != FORMAT:
            raise ProfileError(
                f"{where}: profile format {data.get('format')!r}, wanted {FORMAT}; run steadyhead learn again"
            )
        profile: Profile = _build(Profile, data)
    except (ValueError, KeyError, TypeError, AttributeError, OverflowError, RecursionError) as exc:
        raise ProfileError(f"{where}: not a readable profile ({exc}); run steadyhead learn again") from exc
    return profile


def _rounded(value: Any) -> Any:
    if isinstance(value, float):
        return float(f"{value:.6g}")
    if isinstance(value, dict):
        return {k: _rounded(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_rounded(v) for v in value]
    return value


_hints = cache(get_type_hints)  # they are evaluated anew at each call, which thousands of profiles notice


def _build(kind: Any, data: Any) -> Any:
    hints = _hints(kind)
    # what older profiles do not have yet takes its default
    return kind(**{f.name: _convert(hints[f.name], data[f.name]) for f in fields(kind) if f.name in data})


def _convert(hint: Any, value: Any) -> Any:
    """A JSON value as what the field holds. Raises TypeError for another kind: the engine relies on them."""
    kind = type(value)
    if kind is hint:
        return value
    if kind is int and hint is float:
        return float(value)
    if is_dataclass(hint):
        return _build(hint, value)
    inner = get_args(hint)
    if kind is list and get_origin(hint) is tuple:
        if inner[0] is float and set(map(type, value)) <= {float}:  # nearly all there is
            return tuple(value)
        return tuple(_convert(inner[0], one) for one in value)
    if kind is dict and get_origin(hint) is dict:
        return {key: _convert(inner[1], one) for key, one in value.items()}
    if isinstance(hint, UnionType):
        return None if value is None else _convert(inner[0], value)
    raise TypeError(f"{str(value)[:40]!r} where {getattr(hint, '__name__', hint)} belongs")
