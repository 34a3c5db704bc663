"""One case: a place, its demand and supply, ordinary days, at most one event, and the log sent."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np

from evaluation.case import DAY_S, Case, Episode, Life
from evaluation.epanet.network import MULTIPLIERS, Table, looked_up, sites, solved
from steadyhead.types import BoolArray, FloatArray, IntArray

Rng = np.random.Generator
BASE_S = 60
START_S = 1_735_689_600  # 2025-01-01 00:00 UTC
SAG_SEEN, HIGH_SEEN, DRIFT_SEEN, CREEP_SEEN, SWING_SEEN = 0.04, 0.04, 0.025, 0.12, 0.012
"""From where on an effect can be seen, share of set or of the way to the inlet (our own)."""
FAULTS = {
    "drift": 5,
    "creep": 5,
    "failure_to_open": 5,
    "failure_to_close": 3,
    "hunting": 4,
    "slow_response": 1,
}
OTHERS = {
    "set_changed": 5,
    "inlet_starved": 4,
    "excess_demand": 5,
    "sensor_fault": 6,
    "held_shut": 3,
    "waves": 2,
    "batches": 2,
    "telemetry_loss": 1,
    "no_effect": 1,
}


@dataclass(slots=True)
class World:
    """The drivers of one station, on the base step; shape (n,) each."""

    rng: Rng
    table: Table
    times_s: IntArray
    set_kpa: FloatArray
    demand: FloatArray
    supply: FloatArray
    life: list[Life] = field(default_factory=list)
    held_back: FloatArray | None = None  # loss coefficient that holds the valve below its set [kPa/(L/s)^2]
    stuck: FloatArray | None = (
        None  # the same of an opening that stays, below and above set; NaN: it regulates
    )
    leak: FloatArray | None = None  # L/s past the shut seat at 100 kPa across
    neighbour: FloatArray | None = None  # outlet of another feed that holds the zone [kPa], NaN without one
    storage_s: float = 1200.0
    lock_kpa: float = 5.0


def make_case(i: int, seed: int) -> Case:
    """Case i of a seed."""
    rng = np.random.default_rng([seed, i, 40127])
    group = str(rng.choice(["fault", "lookalike", "healthy"], p=[0.42, 0.35, 0.23]))
    kinds = FAULTS if group == "fault" else OTHERS
    odds = np.array(list(kinds.values()), float)
    kind = "ordinary" if group == "healthy" else str(rng.choice(list(kinds), p=odds / odds.sum()))
    site = sites()[int(rng.integers(len(sites())))]
    set_kpa, over_kpa = float(rng.uniform(220, 620)), float(np.exp(rng.uniform(np.log(60), np.log(420))))
    size = float(rng.choice([0.45, 0.6, 0.8]))
    table = _table(site.network, site.pipe, round(set_kpa), round(over_kpa), size)
    set_kpa = float(round(set_kpa))
    step_s = int(rng.choice([60, 120, 300, 600, 900], p=[0.35, 0.1, 0.25, 0.1, 0.2]))
    if kind in ("hunting", "slow_response"):
        step_s = int(rng.choice([60, 60, 120, 300]))
    learn_days, test_days = int(rng.integers(24, 36)), int(rng.integers(10, 17))
    n = (learn_days + test_days) * DAY_S // BASE_S
    times_s = START_S + int(rng.integers(0, 300)) * DAY_S + BASE_S * np.arange(n, dtype=np.int64)
    judge_s = int(times_s[0]) + learn_days * DAY_S
    night = kind in ("creep", "held_shut") or rng.random() < 0.25
    w = World(rng, table, times_s, *_drivers(rng, times_s, set_kpa, over_kpa, night))
    w.storage_s, w.lock_kpa = float(rng.uniform(400, 2400)), float(rng.uniform(0.008, 0.03)) * set_kpa
    cause_s = judge_s + int(rng.uniform(1.2, 5.0) * DAY_S) // 60 * 60
    _ordinary(w, judge_s, cause_s if kind != "ordinary" else None)
    twin = _play(w)
    episode = None
    noted = None
    if kind != "ordinary":
        noted = (
            _to_the_valve(w, kind, cause_s, set_kpa, step_s)
            if kind in FAULTS
            else _to_the_rest(w, kind, cause_s, set_kpa)
        )
    truth = _play(w) if noted is not None else twin
    log, facts = _sent(rng, w, truth, step_s, kind, noted)
    if noted is not None:
        episode = _seen(w, noted, truth, twin, set_kpa)
        if episode is None:
            w.life.append(Life(kind, cause_s, int(times_s[-1]), (noted.condition, *noted.also)))
            group = "healthy"
    return Case(
        id=f"epanet-{seed}-{i:04d}",
        world="epanet",
        group=group,
        kind=kind,
        step_s=step_s,
        time_zone="Europe/Vienna",
        learn_from_s=int(times_s[0]),
        judge_from_s=judge_s,
        end_s=int(times_s[-1]) + BASE_S,
        log=log,
        averaged=facts["averaged"],
        heartbeat_s=facts["heartbeat_s"],
        neighbour=facts["neighbour"],
        nominal_kpa=round(set_kpa / 5) * 5.0
        if rng.random() < 0.3 and abs(round(set_kpa / 5) * 5 - set_kpa) < 3
        else None,
        episode=episode,
        life=tuple(w.life),
    )


@lru_cache(maxsize=8)
def _table(network: str, pipe: str, set_kpa: int, over_kpa: int, size: float) -> Table:
    site = next(s for s in sites() if (s.network, s.pipe) == (network, pipe))
    return solved(site, float(set_kpa), float(over_kpa), size)


def _drivers(
    rng: Rng, times_s: IntArray, set_kpa: float, over_kpa: float, night: bool
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Set, demand multiplier and supply head of ordinary days."""
    n = len(times_s)
    hour = (times_s % DAY_S) / 3600.0
    day = (times_s // DAY_S) % 7
    weekend = day >= 5
    peaks = [
        (rng.uniform(6, 8.5), rng.uniform(1, 2), rng.uniform(0.5, 1.2)),
        (rng.uniform(17.5, 21), rng.uniform(1.5, 3), rng.uniform(0.4, 1.0)),
    ]
    shape = np.full(n, 0.0 if night else rng.uniform(0.12, 0.4)) + 0.35 / (
        1 + np.exp(-2.2 * (hour - 5.5))
    ) / (1 + np.exp(2.2 * (hour - 23.0)))
    for at, width, height in peaks:
        shift = np.where(weekend, 1.3 if at < 12 else 0.0, 0.0)
        shape += height * np.exp(-0.5 * ((hour - at - shift) / width) ** 2)
    if rng.random() < 0.2:  # works by day, nobody at the weekend
        shape *= np.where(weekend, 0.25, 1.0)
    slow = _wander(rng, n, 2.0 * DAY_S, 0.05) + _wander(rng, n, 3 * 3600.0, 0.06)
    quick = _wander(rng, n, 240.0, rng.uniform(0.02, 0.1))
    demand = shape * np.exp(slow) * np.maximum(1 + quick, 0.1)
    if night:
        deep = (hour < rng.uniform(3.8, 5.2)) & (hour > rng.uniform(0.2, 1.5))
        demand[deep] *= (rng.random(deep.sum()) < 0.01) * 0.3
    demand *= rng.uniform(0.6, 1.1)
    supply = set_kpa + over_kpa * (
        0.95
        + _wander(rng, n, 1.5 * DAY_S, 0.04)
        + rng.uniform(0, 0.1) * np.sin(2 * np.pi * (hour - rng.uniform(0, 24)) / 24)
    )
    if rng.random() < 0.4:  # a pump that fills a tank at night
        on = (hour < rng.uniform(4, 6)) | (hour > rng.uniform(21.5, 23))
        supply = supply + over_kpa * rng.uniform(0.03, 0.15) * on
    sets = np.full(n, set_kpa)
    if rng.random() < 0.12:  # lower by night, by a clock
        low = (hour < rng.uniform(4.5, 5.5)) | (hour > rng.uniform(22, 23.5))
        sets[low] -= rng.uniform(0.06, 0.2) * set_kpa
    return sets, np.minimum(demand, MULTIPLIERS[-1]), supply


def _wander(rng: Rng, n: int, tau_s: float, size: float) -> FloatArray:
    """A first-order wander with this time constant and standard deviation."""
    every = max(1, int(tau_s / BASE_S / 8))
    m = n // every + 3
    a = np.exp(-every * BASE_S / tau_s)
    steps = rng.standard_normal(m) * size * np.sqrt(1 - a * a)
    x = np.empty(m)
    x[0] = rng.standard_normal() * size
    for i in range(1, m):
        x[i] = a * x[i - 1] + steps[i]
    return np.interp(np.arange(n), every * np.arange(m), x)


def _ordinary(w: World, judge_s: int, cause_s: int | None) -> None:
    """What life brings without anybody's fault; in the learning span as well."""
    rng, t = w.rng, w.times_s
    kinds = ["holiday", "heat", "hydrant", "pump trip", "source", "growth", "works"]
    for _ in range(int(rng.integers(0, 4)) + 2 * (cause_s is None)):
        kind = str(rng.choice(kinds))
        at = int(rng.uniform(t[0] + DAY_S, t[-1] - DAY_S))
        if cause_s is not None and at > cause_s - DAY_S / 2:
            continue
        hours = {
            "holiday": rng.uniform(48, 150),
            "heat": rng.uniform(48, 200),
            "hydrant": rng.uniform(0.15, 0.7),
            "pump trip": rng.uniform(0.1, 1.5),
            "source": rng.uniform(12, 90),
            "growth": 2000.0,
            "works": rng.uniform(3, 9),
        }[kind]
        to = min(int(at + 3600 * hours), int(t[-1]))
        span = (t >= at) & (t < to)
        allowed: tuple[str, ...] = ("unfamiliar",)
        if kind == "holiday":
            w.demand[span] *= rng.uniform(0.5, 0.8)
        elif kind == "heat":
            w.demand[span] *= rng.uniform(1.15, 1.4)
            allowed = ("unfamiliar", "excess_demand")
        elif kind == "hydrant":
            w.demand[span] += rng.uniform(0.4, 1.0)
            allowed = ("unfamiliar", "excess_demand")
        elif kind == "pump trip":
            w.supply[span] -= rng.uniform(0.1, 0.35) * (w.supply[span] - w.set_kpa[span])
        elif kind == "source":
            w.supply[span] += rng.uniform(-0.3, 0.3) * (w.supply[span] - w.set_kpa[span])
        elif kind == "growth":
            w.demand[span] *= 1 + 0.15 * np.linspace(0, 1, span.sum())
        else:
            w.demand[span] += rng.uniform(0.1, 0.3)
        np.minimum(w.demand, MULTIPLIERS[-1], out=w.demand)
        if to > judge_s:
            w.life.append(Life(kind, at, to, allowed))


@dataclass(slots=True)
class Noted:
    """What happens: its name, other names that fit, its cause's span, and how its effect is measured."""

    condition: str
    cause_s: int
    end_s: int
    measure: str
    also: tuple[str, ...] = ()
    words: str = ""
    size: float = float("nan")
    signal: dict[str, str] = field(default_factory=dict)


def _ramp(t: IntArray, at: int, hours: float) -> FloatArray:
    return np.clip((t - at) / max(3600.0 * hours, 1.0), 0.0, 1.0)


def _to_the_valve(w: World, kind: str, at: int, set_kpa: float, step_s: int) -> Noted:
    rng, t, end = w.rng, w.times_s, int(w.times_s[-1])
    since = t >= at
    over = float(np.median(w.supply) - set_kpa)
    flow = float(np.median(looked_up(w.table, w.set_kpa[::60], w.demand[::60], w.supply[::60])[2])) + 0.05
    if kind == "drift":
        size = float(rng.choice([-1, 1]) * np.exp(rng.uniform(np.log(0.03), np.log(0.14))))
        w.set_kpa += size * set_kpa * _ramp(t, at, float(np.exp(rng.uniform(np.log(12), np.log(150)))))
        return Noted(
            "drift",
            at,
            end,
            "departure",
            ("sensor_fault",) if abs(size) > 0.1 else (),
            "the set wanders",
            size,
        )
    if kind == "creep":
        way = float(rng.uniform(0.15, 0.95))
        w.leak = np.zeros(len(t)) + way * rng.uniform(0.3, 2.5) * 0.03 * flow * _ramp(
            t, at, float(rng.choice([0.1, 40.0]))
        )
        w.storage_s = float(rng.uniform(200, 1500))
        return Noted("creep", at, end, "way", (), "water passes the shut seat", way)
    if kind == "failure_to_open":
        sag = float(np.exp(rng.uniform(np.log(0.06), np.log(0.5))))
        k_full = (
            max(over + sag * set_kpa, 20.0)
            / (
                float(
                    np.quantile(looked_up(w.table, w.set_kpa[::10], w.demand[::10], w.supply[::10])[2], 0.97)
                )
                + 0.01
            )
            ** 2
        )
        ramp = _ramp(t, at, float(np.exp(rng.uniform(np.log(0.1), np.log(120)))))
        w.held_back = np.where(since, k_full * np.maximum(ramp, 0.02) ** 1.5, 0.0)
        return Noted("failure_to_open", at, end, "sag", (), "the valve is held from opening", sag)
    if kind == "failure_to_close":
        k_open = max(over, 20.0) / (flow * float(rng.uniform(1.0, 2.5))) ** 2
        w.stuck = np.where(since, k_open, np.nan)
        return Noted(
            "failure_to_close", at, end, "high", ("failure_to_open", "creep"), "the opening stays where it is"
        )
    if kind == "hunting":
        period = float(np.exp(rng.uniform(np.log(max(2.5 * step_s, 120)), np.log(max(2400, 8 * step_s)))))
        swing = float(np.exp(rng.uniform(np.log(0.012), np.log(0.08))))
        phase = 2 * np.pi * np.cumsum(BASE_S / period * (1 + 0.05 * rng.standard_normal(len(t))))
        on = since & ((w.demand > 0.1) if rng.random() < 0.7 else True)
        w.set_kpa = w.set_kpa + on * 0.5 * swing * set_kpa * np.sin(phase)
        return Noted(
            "hunting",
            at,
            end,
            "swing",
            ("slow_response",) if period > 1500 else (),
            "the valve swings",
            swing,
        )
    tau = float(rng.uniform(600, 2400))
    drift = np.diff(np.log(np.maximum(w.demand, 0.02)), prepend=np.log(max(w.demand[0], 0.02)))
    lag = np.zeros(len(t))
    keep = np.exp(-BASE_S / tau)
    for i in range(1, len(t)):
        lag[i] = keep * lag[i - 1] + drift[i]
    w.set_kpa = w.set_kpa - np.where(since, np.clip(0.25 * lag, -0.15, 0.15) * set_kpa, 0.0)
    return Noted("slow_response", at, end, "stray", ("hunting",), "the valve answers late")


def _to_the_rest(w: World, kind: str, at: int, set_kpa: float) -> Noted | None:
    rng, t, end = w.rng, w.times_s, int(w.times_s[-1])
    since = t >= at
    over = float(np.median(w.supply) - set_kpa)
    if kind == "set_changed":
        size = float(rng.choice([-1, 1]) * np.exp(rng.uniform(np.log(0.04), np.log(0.35))))
        back = end if rng.random() < 0.7 else at + int(rng.uniform(2, 5) * DAY_S)
        w.set_kpa = w.set_kpa + size * set_kpa * (since & (t < back))
        return Noted(
            "set_changed",
            at,
            back,
            "departure",
            ("drift",) if abs(size) < 0.05 else (),
            "somebody turned the pilot",
            size,
        )
    if kind == "inlet_starved":
        to = at + int(rng.uniform(4, 90) * 3600)
        span = since & (t < to)
        w.supply[span] -= rng.uniform(1.02, 1.5) * over * np.minimum(_ramp(t, at, 0.5), 1.0)[span]
        return Noted("inlet_starved", at, to, "sag", (), "the supply is short")
    if kind == "excess_demand":
        to = at + int(np.exp(rng.uniform(np.log(3), np.log(200))) * 3600)
        w.demand[since & (t < to)] += rng.uniform(0.5, 1.8)
        np.minimum(w.demand, MULTIPLIERS[-1], out=w.demand)
        return Noted("excess_demand", at, min(to, end), "flow", ("failure_to_open",), "a main burst")
    if kind == "held_shut":
        to = at + int(rng.uniform(6, 100) * 3600)
        w.neighbour = np.where(since & (t < to), w.set_kpa + rng.uniform(0.03, 0.12) * set_kpa, np.nan)
        return Noted(
            "held_shut", at, min(to, end), "high_shut", ("unfamiliar",), "another feed holds the zone"
        )
    if kind == "waves":
        to = at + int(rng.uniform(6, 100) * 3600)
        period = float(np.exp(rng.uniform(np.log(180), np.log(1800))))
        span = since & (t < to)
        w.supply[span] += rng.uniform(0.05, 0.25) * over * np.sin(2 * np.pi * t[span] / period)
        w.life.append(Life("waves from upstream", at, to, ("unfamiliar",)))
        return None
    if kind == "batches":
        to = at + int(rng.uniform(6, 100) * 3600)
        span = since & (t < to)
        w.demand[span] += rng.uniform(0.1, 0.35) * (
            np.sin(2 * np.pi * t[span] / rng.uniform(300, 2400)) > 0.2
        )
        w.life.append(Life("batch demand", at, to, ("unfamiliar", "excess_demand")))
        return None
    if kind == "telemetry_loss":
        return Noted("telemetry_loss", at, at + int(rng.uniform(8, 90) * 3600), "now", (), "the line is dead")
    if kind == "sensor_fault":
        return _instrument_fault(rng, at, end)
    w.life.append(Life("nothing", at, end, ()))
    return None


def _instrument_fault(rng: Rng, at: int, end: int) -> Noted:
    how = str(
        rng.choice(["stuck", "offset", "slow", "spikes", "scale", "meter zero", "meter unit", "inlet offset"])
    )
    also = {
        "offset": ("set_changed",),
        "slow": ("drift",),
        "meter unit": ("excess_demand", "unfamiliar"),
        "meter zero": ("held_shut",),
    }.get(how, ())
    size = (
        float(rng.choice([-1, 1]) * rng.uniform(0.06, 0.4))
        if how != "slow"
        else float(rng.choice([-1, 1]) * rng.uniform(0.04, 0.15))
    )
    return Noted(
        "sensor_fault", at, end, "now" if how != "slow" else "departure", also, how, size, {"how": how}
    )


def _play(w: World) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Inlet, outlet and flow [kPa, L/s] as they truly are."""
    inlet, outlet, flow = looked_up(w.table, w.set_kpa, w.demand, w.supply)
    for loss, both in ((w.held_back, False), (w.stuck, True)):
        if loss is None:
            continue
        there = np.flatnonzero(np.isfinite(loss) & (loss > 0))
        if len(there):
            found = _throttled(w, loss[there], there)
            rows = there if both else there[found[1] < outlet[there]]
            take = slice(None) if both else found[1] < outlet[there]
            inlet[rows], outlet[rows], flow[rows] = (x[take] for x in found)
    return _nights(w, inlet, outlet, flow)


def _throttled(w: World, loss: FloatArray, rows: IntArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """The outlet at which a fixed loss passes what the district takes, by halving over EPANET's answers."""
    low, high = np.full(len(rows), w.table.settings_kpa[0]), np.full(len(rows), w.table.settings_kpa[-1])
    for _ in range(16):
        mid = 0.5 * (low + high)
        inlet, outlet, flow = looked_up(w.table, mid, w.demand[rows], w.supply[rows])
        too_high = inlet - outlet < loss * flow**2
        high, low = np.where(too_high, mid, high), np.where(too_high, low, mid)
    return looked_up(w.table, 0.5 * (low + high), w.demand[rows], w.supply[rows])


def _nights(
    w: World, inlet: FloatArray, outlet: FloatArray, flow: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """With nobody drawing, the outlet rises to lock-up, or as far as a leak past the seat lifts it."""
    shut = w.demand < 0.004
    if w.neighbour is not None:
        lifted = np.isfinite(w.neighbour) & (w.neighbour > w.set_kpa)
        outlet, flow = np.where(lifted, w.neighbour, outlet), np.where(lifted, 0.0, flow)
    y = outlet.copy()
    keep = np.exp(-BASE_S / w.storage_s)
    leak = w.leak if w.leak is not None else np.zeros(len(y))
    use = 0.02 * float(np.median(flow))  # what the closed district loses at set pressure
    for i in np.flatnonzero(shut):
        if i == 0:
            continue
        head = inlet[i] - y[i - 1]
        enters = leak[i] * np.sqrt(max(head, 0.0) / 100.0)
        aim = w.set_kpa[i] + w.lock_kpa
        if enters > 0:
            share = enters / (enters + use)
            aim = aim + (inlet[i] - aim) * share
        y[i] = aim + (y[i - 1] - aim) * keep
        flow[i] = 0.0
    return inlet, y, flow


def _seen(
    w: World, noted: Noted, truth: tuple[FloatArray, ...], twin: tuple[FloatArray, ...], set_kpa: float
) -> Episode | None:
    """When its effect passes its mild limit; None if it never does."""
    t = w.times_s
    (_, outlet, flow), (inlet0, outlet0, flow0) = truth, twin
    gone = (outlet - outlet0) / set_kpa
    way = (outlet - outlet0) / np.maximum(inlet0 - outlet0, 1.0)
    shut = flow < 0.02 * np.median(flow0)
    limit, effect = {
        "departure": (
            DRIFT_SEEN,
            np.abs(w.set_kpa - w.set_kpa[0]) / set_kpa if noted.condition == "sensor_fault" else np.abs(gone),
        ),
        "sag": (SAG_SEEN, -gone),
        "high": (HIGH_SEEN, np.abs(gone)),
        "way": (CREEP_SEEN, np.where(shut, way, 0.0)),
        "swing": (SWING_SEEN, np.full(len(t), noted.size)),
        "stray": (0.03, np.abs(gone)),
        "flow": (0.25, (flow - flow0) / (np.median(flow0) + 0.05)),
        "high_shut": (0.0, np.ones(len(t))),
        "now": (0.0, np.ones(len(t))),
    }[noted.measure]
    if noted.measure == "departure" and noted.condition == "sensor_fault":
        effect = abs(noted.size) * _ramp(t, noted.cause_s, 72.0)
    there = np.flatnonzero((t >= noted.cause_s) & (t <= noted.end_s) & (effect >= limit))
    if len(there) < 15 and noted.measure not in ("now", "high_shut", "swing"):
        return None
    largest = float(np.quantile(effect[there], 0.95))
    severity = "mild" if limit > 0 and largest < 2.2 * limit else "clear"
    also = noted.also
    if (
        noted.condition == "failure_to_close"
    ):  # an opening that stays is too small by day and too wide by night
        low, high = float(np.mean(gone[there] < -HIGH_SEEN)), float(np.mean(gone[there] > HIGH_SEEN))
        also = tuple(n for n in noted.also if n != "failure_to_open" or low > 0.3 * high)
    return Episode(
        noted.condition,
        noted.cause_s,
        int(t[there[0]]),
        min(noted.end_s, int(t[-1])),
        severity,
        also,
        noted.size,
        noted.words,
    )


def _sent(
    rng: Rng, w: World, truth: tuple[FloatArray, ...], step_s: int, kind: str, noted: Noted | None
) -> tuple[dict[str, tuple[IntArray, FloatArray]], dict[str, object]]:
    """What the outstation reported, and what the registry knows of it."""
    t, every = w.times_s, step_s // BASE_S
    averaged = bool(step_s > 60 and rng.random() < 0.4) and kind != "hunting"
    on_change = bool(step_s <= 120 and rng.random() < 0.15)
    grain = float(rng.choice([0.1, 0.5, 1.0, 5.0 if kind != "hunting" else 1.0]))
    noise = float(rng.uniform(0.1, 1.2))
    has_flow = rng.random() < (0.67 if kind not in ("excess_demand", "held_shut") else 1.0)
    full = float(np.quantile(truth[2], 0.99)) + 0.1
    cutoff = float(rng.choice([0.0, 0.01, 0.02])) * full
    names = ["inlet", "outlet"] + (["flow"] if has_flow else [])
    columns = {"inlet": truth[0], "outlet": truth[1], "flow": truth[2]}
    log: dict[str, tuple[IntArray, FloatArray]] = {}
    lost = np.zeros(len(t), dtype=bool)
    for _ in range(int(rng.integers(0, 5))):
        at = int(rng.integers(len(t)))
        lost[at : at + int(rng.exponential(90))] = True
    if kind == "telemetry_loss" and noted is not None:
        lost |= (t >= noted.cause_s) & (t < noted.end_s)
    for name in names:
        x = columns[name].copy()
        if name == "flow":
            x = x * (1 + 0.01 * rng.standard_normal(len(x)))
            x[x < cutoff] = 0.0
        else:
            x += noise * rng.standard_normal(len(x))
        if averaged:
            x = x[: len(x) // every * every].reshape(-1, every).mean(axis=1)
            at = t[: len(x) * every : every]
            gone = lost[: len(x) * every : every]
        else:
            x, at, gone = x[::every], t[::every], lost[::every]
        unit = grain if name != "flow" else max(full / 500.0, 0.005)
        x = np.round(x / unit) * unit
        if noted is not None and noted.condition == "sensor_fault":
            x = _spoiled(rng, name, x, at, noted, float(np.median(columns["outlet"])))
        keep = ~gone
        if on_change:
            keep &= _moved(x, 1.5 * unit if name != "flow" else 2.0 * unit, 3600 // step_s)
        log[name] = at[keep], x[keep]
    neighbour = None
    if w.neighbour is not None and rng.random() < 0.6:
        beside = np.where(
            np.isfinite(w.neighbour), w.neighbour + 1.0, w.set_kpa - rng.uniform(0.01, 0.05) * w.set_kpa
        )
        neighbour = (
            t[::every],
            np.round(beside[::every] + noise * rng.standard_normal(len(beside[::every])), 1),
        )
    return log, {"averaged": averaged, "heartbeat_s": 3600 if on_change else None, "neighbour": neighbour}


def _moved(x: FloatArray, band: float, most: int) -> BoolArray:
    keep = np.zeros(len(x), dtype=bool)
    last, since = np.inf, 0
    for i, value in enumerate(x):
        since += 1
        if abs(value - last) >= band or since >= most:
            keep[i], last, since = True, value, 0
    return keep


def _spoiled(rng: Rng, name: str, x: FloatArray, at: IntArray, noted: Noted, set_kpa: float) -> FloatArray:
    how, since, x = noted.signal["how"], at >= noted.cause_s, x.copy()
    wrong = "flow" if how.startswith("meter") else "inlet" if how == "inlet offset" else "outlet"
    if name != wrong:
        return x
    if how == "stuck":
        x[since] = x[since][0] if since.any() else 0.0
    elif how in ("offset", "inlet offset"):
        x[since] += noted.size * set_kpa
    elif how == "slow":
        x += noted.size * set_kpa * _ramp(at, noted.cause_s, 72.0)
    elif how == "spikes":
        hit = since & (rng.random(len(x)) < 0.02)
        x[hit] += rng.choice([-1, 1], hit.sum()) * rng.uniform(0.3, 0.9, hit.sum()) * set_kpa
    elif how == "scale":
        x[since] *= float(rng.choice([0.1, 10.0, 6.894757, 1 / 6.894757]))
    elif how == "meter zero":
        x[since] = 0.0
    elif how == "meter unit":
        x[since] *= float(rng.choice([3.6, 1 / 3.6]))
    return x
