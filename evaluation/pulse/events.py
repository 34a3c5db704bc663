"""What goes wrong, in valve, supply, district or instruments, and how its effect is measured."""

# ruff: noqa: ARG001 - makers of events share one signature
from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np

from evaluation.case import DAY_S
from evaluation.pulse.hydraulics import FAULTS, KV_LPS, Drive, Plant, State
from evaluation.pulse.site import Rng, Site, log_uniform, wander
from evaluation.pulse.truth import held_from, steady, strays, swing
from steadyhead.config.model import Role
from steadyhead.types import FloatArray

Columns = dict[Role, FloatArray]


@dataclass
class Event:
    """One cause and its change to the station.

    plant, drive : with the cause; cause_s, end_s : its span, end_s None if it stays
    size : in the unit of ``words``; edit : changes what the instruments show, if the cause lies there
    late_s : from the cause until a fault of the instruments shows; is_mild : whether it is a small one
    """

    condition: str
    kind: str
    cause_s: int
    plant: Plant
    drive: Drive
    end_s: int | None = None
    also: tuple[str, ...] = ()
    size: float = float("nan")
    words: str = ""
    edit: Callable[[Columns, FloatArray], Columns] | None = None
    neighbour_kpa: FloatArray | None = field(default=None, repr=False)
    late_s: float = 0.0
    is_mild: bool = False


def _ramp(site: Site, from_s: int, to_s: float, power: float = 1.0) -> FloatArray:
    """0 before, 1 after, shape (n,)."""
    return np.clip((site.t - from_s) / max(to_s - from_s, site.dt_s), 0, 1) ** power


def _after(site: Site, from_s: int, to_s: float | None = None) -> FloatArray:
    late = site.t > from_s
    return (late & (site.t <= to_s)).astype(float) if to_s is not None else late.astype(float)


def _row(drive: Drive, name: str) -> FloatArray:
    return drive.faults[FAULTS.index(name)]


# ---- faults of the valve. ``grow`` is 1 at first and larger when the effect stayed below its mild limit.


def drift(rng: Rng, site: Site, twin: State, at: int, grow: float) -> Event:
    """The pilot's reference wanders, or its droop grows."""
    left = site.end_s - at
    lasts = min(log_uniform(rng, 6 * 3600, 16 * DAY_S), left * rng.uniform(0.5, 1.3))
    size = log_uniform(rng, 0.018, 0.22) * grow * rng.choice([-1, 1])
    kpa = size * site.usual_set
    kind = str(
        rng.choice(
            ["lock-nut slack", "pilot worn", "spring tired in stairs", "reference wanders", "droop grows"]
        )
    )
    shape = _ramp(site, at, at + lasts, rng.choice([0.7, 1, 1, 1.7]))
    also: tuple[str, ...] = ()
    if kind == "spring tired in stairs":
        n = rng.integers(4, 15)
        shape = np.round(shape * n) / n
    elif kind == "reference wanders":
        shape = shape * (1 + 0.5 * wander(rng, len(shape), 8 * 3600 / site.dt_s, 1.0))
    if kind == "droop grows":
        kpa = -abs(kpa)
        drive = site.drive.with_faults(droop_kpa=abs(kpa) * shape)
    else:
        drive = site.drive.with_faults(offset_kpa=_row(site.drive, "offset_kpa") + kpa * shape)
    if lasts < DAY_S:
        also = ("set_changed",)
    if kpa < 0 and abs(size) > 0.1:
        also += ("failure_to_open",)
    if kpa > 0 and abs(size) > 0.1:
        also += ("failure_to_close",)
    return Event(
        "drift", kind, at, site.plant, drive, None, also, kpa, "pilot's reference moved by so many kPa"
    )


def creep(rng: Rng, site: Site, twin: State, at: int, grow: float) -> Event:
    """Water passes the closed seat."""
    lock = site.usual_set + site.plant.lockup_kpa
    gap = max(float(np.median(twin.inlet_kpa)) - lock, 20)
    share = min(0.9, log_uniform(rng, 0.025, 0.6) * grow)
    p = lock + share * gap
    r = p / site.usual_set
    leak = site.plant.leak_lps * ((1 - site.plant.leak_grows) * r**0.5 + site.plant.leak_grows * r**1.5)
    fill = site.plant.stretch * share * gap / rng.uniform(600, 7200)
    kv = KV_LPS * (leak + fill) / np.sqrt(gap * (1 - share) + 1)
    kind = str(rng.choice(["seat nicked", "seat wears", "pilot seat leaks"]))
    shape = (
        _after(site, at)
        if kind == "seat nicked"
        else _ramp(site, at, at + log_uniform(rng, DAY_S, 7 * DAY_S))
    )
    if rng.random() < 0.25:
        shape = shape * (1 + 0.5 * np.clip(wander(rng, len(shape), DAY_S / site.dt_s, 1), -1.5, 1.5))
    drive = site.drive.with_faults(seat_kv=kv * shape)
    return Event(
        "creep", kind, at, site.plant, drive, None, ("failure_to_close",), kv, "Kv past the shut seat, m3/h"
    )


def failure_to_open(rng: Rng, site: Site, twin: State, at: int, grow: float) -> Event:
    """The opening has a ceiling below what peak demand needs."""
    peak = float(np.quantile(twin.opening, rng.uniform(0.85, 0.998)))
    share = rng.uniform(*((0.35, 0.8) if rng.random() < 0.45 else (0.78, 0.99))) / grow**0.3
    if rng.random() < 0.1:
        share *= 0.5
    kind = str(
        rng.choice(["stem will not lift past a point", "scale holds the stem", "ceiling comes and goes"])
    )
    ceiling = np.full(len(site.t), 1.0)
    on = site.t > at
    if kind == "scale holds the stem":
        lasts = log_uniform(rng, 0.5 * DAY_S, 7 * DAY_S)
        ceiling = np.where(on, 1 + (peak * share - 1) * _ramp(site, at, at + lasts, 0.3), 1.0)
    elif kind == "ceiling comes and goes":
        hold = wander(rng, len(site.t), rng.uniform(3, 20) * 3600 / site.dt_s, 1.0) > rng.uniform(-1, 0.3)
        ceiling = np.where(on & hold, peak * share, 1.0)
    else:
        ceiling = np.where(on, peak * share, 1.0)
    drive = site.drive.with_faults(ceiling=np.minimum(1, ceiling))
    also = ("excess_demand", "inlet_starved") if not site.has_flow and not site.has_inlet else ()
    if not site.has_flow and not also:
        also = ("excess_demand",)
    return Event(
        "failure_to_open", kind, at, site.plant, drive, None, also, peak * share, "opening not passed"
    )


def failure_to_close(rng: Rng, site: Site, twin: State, at: int, grow: float) -> Event:
    """The opening has a floor above what low demand needs."""
    low = float(np.quantile(twin.opening, rng.uniform(0.005, 0.6) ** 1.5))
    floor = low * (1.0 + log_uniform(rng, 0.02, 0.6)) * grow**0.5
    kind = str(rng.choice(["debris in the seat", "diaphragm torn", "restriction blocks slowly"]))
    shape = _after(site, at)
    if kind == "diaphragm torn" and rng.random() < 0.6:
        floor = max(floor, rng.uniform(0.3, 1.0))
    elif kind == "restriction blocks slowly":
        shape = _ramp(site, at, at + log_uniform(rng, 0.3 * DAY_S, 6 * DAY_S))
    drive = site.drive.with_faults(floor=np.minimum(1, floor) * shape)
    also: tuple[str, ...] = ("set_changed",) if kind == "diaphragm torn" and not site.has_inlet else ()
    if np.mean(twin.flow_lps < 0.03 * site.mean_lps) > 0.05:
        also += ("creep",)  # a seat that debris holds off leaks in dead nights as well
    return Event("failure_to_close", kind, at, site.plant, drive, None, also, floor, "opening not gone below")


def stuck(rng: Rng, site: Site, twin: State, at: int, grow: float) -> Event:
    """The stem stays where it is; outlet sags by day and rises by night. Named by the larger."""
    day = twin.opening[site.span(at - DAY_S, at)]
    x = float(np.clip(np.quantile(day, rng.uniform(0.15, 0.9)), 0.01, 1))
    on = site.t > at
    loose = rng.uniform(0, 0.15) / grow
    drive = site.drive.with_faults(
        floor=np.where(on, x * (1 - loose), 0.0), ceiling=np.where(on, min(1, x * (1 + loose)), 1.0)
    )
    return Event(
        "failure_to_open", "stem stuck", at, site.plant, drive, None, (), x, "opening at which it sticks"
    )


def hunting(rng: Rng, site: Site, twin: State, at: int, grow: float) -> Event:
    """The pilot's loop is too hot for its dead time; needle speeds bound the swing."""
    dt = site.dt_s
    period = log_uniform(rng, 4 * dt, 2400) if rng.random() < 0.6 else log_uniform(rng, 4 * dt, 12 * dt)
    lag = int(np.clip(round(period / 4 / dt), 1, 60))
    bound = 2 * np.sin(np.pi / (2 * (2 * lag + 1)))
    x = max(float(np.median(twin.opening)), 0.01)
    dp = max(float(np.median(twin.inlet_kpa - twin.outlet_kpa)), 5)
    swing_kpa = log_uniform(rng, 0.01, 0.25) * grow * site.usual_set
    rate = swing_kpa * x / (2 * dp) / ((lag + 1) * dt)
    hot = bound * rng.uniform(1.1, 3.5)
    kind = str(rng.choice(["loop too hot", "loop too hot at low flow", "hunts now and then"]))
    gain = _after(site, at) * hot
    if kind == "loop too hot at low flow":
        gain = np.where(twin.opening < np.quantile(twin.opening, 0.45), gain, 0)
    elif kind == "hunts now and then":
        gain = gain * (wander(rng, len(gain), rng.uniform(2, 12) * 3600 / dt, 1) > rng.uniform(-1, 0.5))
    drive = site.drive.with_faults(gain=gain, rate=np.where(gain > 0, rate, _row(site.drive, "rate")))
    seconds = 4 * lag * dt + 2 * dt
    also: tuple[str, ...] = ("slow_response",) if seconds >= 8 * site.step_s else ()
    if seconds < 3 * site.step_s:
        also = ("sensor_fault", "slow_response")
    return Event(
        "hunting", kind, at, replace(site.plant, lag=lag), drive, None, also, float(seconds), "period, s"
    )


def slow_response(rng: Rng, site: Site, twin: State, at: int, grow: float) -> Event:
    """A needle nearly shut."""
    late = log_uniform(rng, 40, 3000) * grow
    kind = str(
        rng.choice(["opening needle nearly shut", "closing needle nearly shut", "both needles nearly shut"])
    )
    change = {}
    shape = (
        _after(site, at) if rng.random() < 0.6 else _ramp(site, at, at + log_uniform(rng, DAY_S, 6 * DAY_S))
    )
    if kind.startswith(("opening", "both")):
        change["open_s"] = _row(site.drive, "open_s") * (1 - shape) + late * shape
    if kind.startswith(("closing", "both")):
        change["close_s"] = _row(site.drive, "close_s") * (1 - shape) + late * shape
    drive = site.drive.with_faults(**change)
    also = (
        {"o": ("failure_to_open",), "c": ("failure_to_close",), "b": ("hunting",)}[kind[0]]
        if late > 1500
        else ()
    )
    return Event("slow_response", kind, at, site.plant, drive, None, also, late, "time constant, s")


# ---- not the valve


def set_changed(rng: Rng, site: Site, twin: State, at: int, grow: float) -> Event:
    """Somebody turns the pilot's screw in working hours."""
    local = int(site.local[site.row(at)])
    at += int((rng.uniform(7.2, 16.5) * 3600 - local % DAY_S) % DAY_S)
    size = site.usual_set * log_uniform(rng, 0.03, 0.4) * rng.choice([-1, 1]) * grow
    if rng.random() < 0.15:
        size = 100.0 * np.sign(size)
    size = float(np.clip(size, -0.6 * site.usual_set, 0.6 * site.usual_set))
    spare = float(np.quantile(twin.inlet_kpa, 0.1)) - site.usual_set
    size = min(size, max(0.85 * spare, 0.03 * site.usual_set))  # nobody asks for more than the inlet gives
    visit = rng.uniform(60, 2400)
    end = at + rng.uniform(3, 9) * DAY_S if rng.random() < 0.2 else None
    shape = _ramp(site, at, at + visit)
    n = rng.integers(1, 5)
    shape = np.round(shape * n) / n
    if end:
        shape = shape * (site.t < end)
    drive = replace(site.drive, set_kpa=site.drive.set_kpa + size * shape)
    also = ("drift",) if abs(size) < 0.05 * site.usual_set else ()
    return Event(
        "set_changed", "pilot turned", at, site.plant, drive, int(end) if end else None, also, size, "kPa"
    )


def inlet_starved(rng: Rng, site: Site, twin: State, at: int, grow: float) -> Event:
    """The supply falls below what the district needs."""
    lasts = log_uniform(rng, 2 * 3600, 8 * DAY_S)
    kind = str(
        rng.choice(["source level low", "pump off", "main burst upstream", "main draws down in peaks"])
    )
    spare = float(np.median(twin.inlet_kpa)) - site.usual_set
    depth = spare + site.usual_set * rng.uniform(-0.02, 0.5) * grow
    if kind == "source level low":
        edge = min(lasts / 2, rng.uniform(3600, 2 * DAY_S))
        shape = np.minimum(_ramp(site, at, at + edge), 1 - _ramp(site, int(at + lasts), at + lasts + edge))
    else:
        shape = _after(site, at, at + lasts)
        if kind == "main draws down in peaks":
            shape = shape * np.clip(site.drive.demand_lps / np.quantile(site.drive.demand_lps, 0.9), 0, 1.3)
    drive = replace(site.drive, source_kpa=np.maximum(site.drive.source_kpa - depth * shape, 0))
    also = () if site.has_inlet else ("failure_to_open", "excess_demand")
    if not site.has_inlet and site.has_flow:
        also = ("failure_to_open",)
    return Event(
        "inlet_starved", kind, at, site.plant, drive, int(at + lasts), also, depth, "fall of the source, kPa"
    )


def excess_demand(rng: Rng, site: Site, twin: State, at: int, grow: float) -> Event:
    """A burst, a hydrant, a new leak."""
    kind = str(rng.choice(["burst", "hydrant open", "leak stays", "tank fills out of turn"]))
    lasts = {"burst": log_uniform(rng, 2, 120), "hydrant open": log_uniform(rng, 1, 14)}.get(kind, 72) * 3600
    share = log_uniform(rng, 0.15, 3.0) if site.has_flow else log_uniform(rng, 1, 8)
    if kind == "leak stays":
        share = log_uniform(rng, 0.08, 0.6) if site.has_flow else share
    lps = share * site.mean_lps * grow
    end = None if kind == "leak stays" else int(at + lasts)
    shape = _after(site, at, end)
    if kind == "burst" and rng.random() < 0.3:
        shape = shape * _ramp(site, at, at + rng.uniform(600, 86400))
    drive = replace(site.drive, emitter=site.drive.emitter + lps / np.sqrt(site.usual_set) * shape)
    also = () if site.has_flow else ("failure_to_open", "inlet_starved", "drift")
    return Event("excess_demand", kind, at, site.plant, drive, end, also, lps, "L/s at usual pressure")


def held_shut(rng: Rng, site: Site, twin: State, at: int, grow: float) -> Event:
    """A neighbour of the zone feeds it at a higher pressure."""
    lasts = log_uniform(rng, 8 * 3600, 9 * DAY_S)
    above = rng.uniform(1.03, 1.35)
    on = _after(site, at, at + lasts) > 0
    other = site.usual_set * above + wander(rng, len(site.t), 3600 / site.dt_s, site.usual_set * 0.01)
    demand = float(np.quantile(site.drive.demand_lps, 0.98)) + site.plant.leak_lps
    tie_k = site.usual_set * (above - 1) * rng.uniform(0.15, 0.7) / max(demand, 1e-3) ** 1.852
    before = np.where(np.isnan(site.drive.tie_kpa), np.nan, site.drive.tie_kpa)
    tie = np.where(on, other, before)
    drive = replace(site.drive, tie_kpa=tie)
    plant = replace(
        site.plant, tie_k=tie_k if site.plant.tie_k == 0 or site.plant.tie_k > tie_k else site.plant.tie_k
    )
    shown = np.where(on, other, site.usual_set * rng.uniform(0.9, 1.0) + (other - site.usual_set * above))
    also: tuple[str, ...] = ("not_in_service",)
    if not site.has_flow:
        also += ("set_changed", "failure_to_close", "creep")
    return Event(
        "held_shut",
        "neighbour feeds the zone",
        at,
        plant,
        drive,
        int(at + lasts),
        also,
        above,
        "times set",
        None,
        shown,
    )


def not_in_service(rng: Rng, site: Site, twin: State, at: int, grow: float) -> Event:
    """Shut off by hand, or the main drained."""
    lasts = log_uniform(rng, 2 * 3600, 8 * DAY_S)
    on = _after(site, at, at + lasts) > 0
    kind = str(rng.choice(["line valve shut", "main drained"]))
    if kind == "main drained":
        ebb = np.exp(-np.clip(site.t - at, 0, None) / rng.uniform(300, 7200))
        drive = replace(
            site.drive, source_kpa=np.where(on, site.drive.source_kpa * ebb, site.drive.source_kpa)
        )
        also: tuple[str, ...] = ("inlet_starved",)
    else:
        drive = site.drive.with_faults(ceiling=np.where(on, 0.0, 1.0))
        also = () if site.has_flow else ("failure_to_open", "held_shut")
    plant = site.plant
    if rng.random() < 0.6:  # another feed keeps the district under some pressure
        q = site.mean_lps
        if plant.tie_k == 0:
            plant = replace(plant, tie_k=site.usual_set * rng.uniform(0.02, 0.3) / q**1.852)
        level = site.usual_set * rng.uniform(0.5, 1.2) + wander(
            rng, len(on), 7200 / site.dt_s, 0.01 * site.usual_set
        )
        drive = replace(drive, tie_kpa=np.where(on, level, drive.tie_kpa))
        also += ("held_shut",)
    if rng.random() < 0.3:  # upstream falls too when the main beside it is isolated
        drive = replace(
            drive, source_kpa=np.where(on, drive.source_kpa * rng.uniform(0.6, 1.05), drive.source_kpa)
        )
    return Event(
        "not_in_service",
        kind,
        at,
        plant,
        drive,
        int(at + lasts),
        tuple(dict.fromkeys(also)),
        lasts / 3600,
        "hours",
    )


def _misread(
    kind: str, v: FloatArray, jump: float, share: FloatArray, factor: float, typical: float, seed: int
) -> FloatArray:
    """What a faulty instrument shows for these values, shape as given; ``share`` : how far a drift went."""
    rng = np.random.default_rng(seed)
    n = len(v)
    if kind == "spikes":
        hit = rng.random(n) < log_uniform(rng, 0.01, 0.2)
        return v + hit * rng.choice([-1, 1, 1], n) * typical * rng.uniform(0.3, 3, n)
    shown: dict[str, FloatArray] = {
        "stuck": np.full(n, v[0] if n else 0.0),
        "zero": np.zeros(n),
        "dead": np.full(n, np.nan),
        "out of range": np.full(n, 1e6),
        "jump": v + jump,
        "slow drift": v + jump * share,
        "noise": v + rng.normal(0, abs(jump) / 2, n),
    }
    return shown.get(kind, v * factor)


def sensor_fault(rng: Rng, site: Site, twin: State, at: int, grow: float) -> Event:
    """A transmitter, meter or its scaling goes wrong."""
    roles: list[Role] = ["outlet", "outlet"]
    roles += ["inlet"] if site.has_inlet else []
    roles += ["flow"] if site.has_flow else []
    role: Role = roles[int(rng.integers(0, len(roles)))]
    kinds = ["stuck", "spikes", "jump", "slow drift", "unit changed", "dead", "out of range", "noise"]
    if role == "flow":
        kinds = ["stuck", "zero", "mis-scaled", "spikes", "dead"]
    elif site.has_inlet:
        kinds.append("swapped")
    kind = str(rng.choice(kinds))
    end = int(at + log_uniform(rng, 3 * 3600, 9 * DAY_S)) if rng.random() < 0.6 else None
    typical = site.mean_lps if role == "flow" else site.usual_set
    jump = typical * log_uniform(rng, 0.03, 0.5) * rng.choice([-1, 1]) * grow
    ramp_s = log_uniform(rng, DAY_S, 9 * DAY_S)
    unit = float(rng.choice([1 / 6.894757, 0.1019716, 0.01, 10, 1.45]))
    scale = float(rng.choice([0.1, 10, 0.5, 2, 3.6, 1 / 3.6, 1000 / 60 / 15.85, 0.7, 1.4]))
    seed = int(rng.integers(0, 2**31))

    def edit(columns: Columns, t: FloatArray) -> Columns:
        on = (t > at) & ((t <= end) if end else True)
        if kind == "swapped":
            inlet = np.where(on, columns["outlet"], columns["inlet"])
            outlet = np.where(on, columns["inlet"], columns["outlet"])
            return {**columns, "inlet": inlet, "outlet": outlet}
        seen = columns[role].copy()
        share = np.clip((t[on] - at) / ramp_s, 0, 1)
        factor = unit if kind == "unit changed" else scale
        seen[on] = _misread(kind, seen[on], jump, share, factor, typical, seed)
        return {**columns, role: seen}

    also: tuple[str, ...] = ()
    if kind == "slow drift" and role == "outlet":
        also = ("drift",)
    elif kind == "jump" and role == "outlet":
        also = ("set_changed",)
    elif kind == "noise":
        also = ("hunting",)
    elif kind == "dead":
        also = ("telemetry_loss",)
    elif kind == "mis-scaled" and scale > 1 and scale < 3:
        also = ("excess_demand",)
    elif kind == "zero":
        also = ("not_in_service", "held_shut")
    late_s = {"stuck": 3 * 3600.0, "spikes": 3600.0, "noise": 3600.0, "dead": 1800.0}.get(kind, 0.0)
    if kind == "slow drift":
        late_s = ramp_s * min(1.0, 0.02 * typical / abs(jump))
    if end:
        late_s = min(late_s, 0.5 * (end - at))
    is_mild = (kind in ("jump", "slow drift", "noise") and abs(jump) < 0.1 * typical) or (
        kind == "mis-scaled" and scale in (0.7, 1.4)
    )
    words = f"{role} transmitter: {kind}"
    return Event(
        "sensor_fault",
        f"{role} {kind}",
        at,
        site.plant,
        site.drive,
        end,
        also,
        jump,
        words,
        edit,
        None,
        late_s,
        is_mild,
    )


def telemetry_loss(rng: Rng, site: Site, twin: State, at: int, grow: float) -> Event:
    """No data for hours or days."""
    end = int(at + log_uniform(rng, 2 * 3600, 4 * DAY_S))
    sent = str(rng.choice(["nothing", "nothing", "bad"]))

    def edit(columns: Columns, t: FloatArray) -> Columns:
        on = (t > at) & (t <= end)
        return {role: np.where(on, np.nan, v) for role, v in columns.items()}

    also = ("sensor_fault",) if sent == "bad" else ()
    words = "hours without " + ("data" if sent == "nothing" else "a good value")
    return Event(
        "telemetry_loss",
        f"link down, {sent} sent",
        at,
        site.plant,
        site.drive,
        end,
        also,
        (end - at) / 3600,
        words,
        edit,
        late_s=1800,
        is_mild=end - at < 6 * 3600,
    )


FAULT_MAKERS = {
    "drift": (drift, 0.22),
    "creep": (creep, 0.16),
    "failure_to_open": (failure_to_open, 0.15),
    "failure_to_close": (failure_to_close, 0.12),
    "stuck": (stuck, 0.05),
    "hunting": (hunting, 0.17),
    "slow_response": (slow_response, 0.13),
}
OTHER_MAKERS = {
    "set_changed": (set_changed, 0.22),
    "inlet_starved": (inlet_starved, 0.15),
    "excess_demand": (excess_demand, 0.19),
    "sensor_fault": (sensor_fault, 0.2),
    "telemetry_loss": (telemetry_loss, 0.06),
    "held_shut": (held_shut, 0.09),
    "not_in_service": (not_in_service, 0.09),
}


@dataclass(frozen=True)
class Seen:
    """First fine row from which the effect counts (-1: never), its largest size, and where "clear" begins."""

    row: int
    largest: float
    clear: float


def measure(event: Event, site: Site, twin: State, state: State) -> tuple[str, Seen, tuple[str, ...]]:
    """What a log of these states would show of the event: condition, when, other names that hold."""
    hour = max(1, 3600 // site.dt_s)
    day = 24 * hour
    on = site.t > event.cause_s
    away = np.where(on, (state.outlet_kpa - twin.outlet_kpa) / site.usual_set, 0.0)
    step = max(1, site.step_s // site.dt_s)
    if event.condition in ("failure_to_open", "failure_to_close", "inlet_starved"):
        smooth = steady(away, step)
        low, high = (held_from(s > 0.05, hour // 2 + 1, day) for s in (-smooth, smooth))
        sag, rise = (float(np.quantile(s[on], 0.995)) if on.any() else 0.0 for s in (-smooth, smooth))
        if event.kind == "stem stuck":
            if rise > sag:
                return "failure_to_close", Seen(high, rise, 0.15), ("failure_to_open",) if low >= 0 else ()
            return "failure_to_open", Seen(low, sag, 0.15), ("failure_to_close",) if high >= 0 else ()
        if event.condition == "failure_to_close":
            return event.condition, Seen(high, rise, 0.15), ()
        return event.condition, Seen(low, sag, 0.15), ()
    if event.condition in ("drift", "set_changed"):
        is_drift = event.condition == "drift"
        is_held = (twin.opening < 0.98) & (twin.flow_lps > 0.02 * site.mean_lps)
        effect = np.abs(steady(np.where(is_held, away, 0.0), 6 * hour if is_drift else step))
        limit = 0.02 if is_drift else 0.025
        row = held_from(effect > limit, 6 * hour if is_drift else hour, day)
        return event.condition, Seen(row, float(effect.max()), 0.05 if is_drift else 0.1), ()
    if event.condition == "creep":
        lock = twin.aim_kpa
        gap = np.maximum(state.inlet_kpa - lock, 5)
        is_idle = twin.flow_lps < 0.03 * site.mean_lps
        share = np.where(on & is_idle, (state.outlet_kpa - np.maximum(lock, twin.outlet_kpa)) / gap, 0.0)
        row = held_from(share > 0.08, hour // 2, day)
        return "creep", Seen(row, float(np.quantile(share, 0.999)), 0.25), ()
    if event.condition == "hunting":
        shown = away[step - 1 :: step]
        rows = max(6, int(3 * event.size / site.step_s))
        swings = swing(shown, rows)
        usual = float(np.median(swing((twin.outlet_kpa / site.usual_set)[step - 1 :: step], rows)))
        past = swings > max(0.012, 0.7 * usual)
        row = held_from(past, int(3600 / site.step_s) + rows, int(DAY_S / site.step_s))
        return "hunting", Seen(row * step if row >= 0 else -1, float(np.quantile(swings, 0.98)), 0.1), ()
    if event.condition == "slow_response":
        smooth = steady(away, step)
        usual = steady((twin.outlet_kpa - twin.aim_kpa) / site.usual_set, step)
        begins = strays(smooth, max(0.03, 3 * float(np.quantile(np.abs(usual), 0.68))))
        row = held_from(begins, 2, day)
        return "slow_response", Seen(row, float(np.quantile(np.abs(smooth[on]), 0.998)), 0.08), ()
    return _measure_flow(event, site, twin, state, away, step)


def _measure_flow(
    event: Event, site: Site, twin: State, state: State, away: FloatArray, step: int
) -> tuple[str, Seen, tuple[str, ...]]:
    hour = max(1, 3600 // site.dt_s)
    on = site.t > event.cause_s
    more = steady((state.flow_lps - twin.flow_lps) / site.mean_lps, max(step, hour // 4))
    if event.condition == "excess_demand":
        sag = steady(-away, step)
        wide = np.mean((state.opening > 0.98)[on & (site.t <= (event.end_s or site.end_s))])
        row_sag = held_from(sag > 0.05, hour // 3, 24 * hour)
        if not site.has_flow:
            return "excess_demand", Seen(row_sag, float(sag.max()), 0.15), ()
        row = held_from(more > 0.12, hour // 2, 24 * hour)
        return "excess_demand", Seen(row, float(more.max()), 0.4), ("inlet_starved",) if wide > 0.3 else ()
    if event.condition in ("held_shut", "not_in_service"):
        gone = on & (state.flow_lps < 0.02 * site.mean_lps) & (twin.flow_lps > 0.04 * site.mean_lps)
        if not site.has_flow:
            gone &= np.abs(away) > 0.02
        row = held_from(gone, hour, 24 * hour)
        return event.condition, Seen(row, 1.0, 0.5), ()
    row = int(np.argmax(site.t > event.cause_s + event.late_s))
    return event.condition, Seen(row, 0.0 if event.is_mild else 1.0, 0.5), ()
