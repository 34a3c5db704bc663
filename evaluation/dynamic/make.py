"""One case: a station and its district, a month to learn from, and what went wrong, if anything did."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from evaluation.case import DAY_S, Case, Episode, Life
from evaluation.dynamic.integrate import DT_S, Plant, pulses, run
from steadyhead.types import BoolArray, FloatArray, IntArray

DT = int(DT_S)
EPOCH_S = 1_704_067_200  # 2024-01-01 00:00 UTC, a Monday
FAULTS = {"drift": 4, "creep": 4, "choked": 3, "ceiling": 3, "floor": 3, "limit cycle": 4, "needle": 3}
OTHERS = {
    "screw": 4,
    "clock": 1,
    "short supply": 4,
    "burst": 3,
    "hydrant": 1,
    "transmitter": 6,
    "meter": 2,
    "beside": 3,
    "surges": 2,
    "batches": 2,
    "silence": 1,
}
NAMES = {
    "drift": "drift",
    "creep": "creep",
    "choked": "failure_to_open",
    "ceiling": "failure_to_open",
    "floor": "failure_to_close",
    "limit cycle": "hunting",
    "needle": "slow_response",
    "screw": "set_changed",
    "clock": "set_changed",
    "short supply": "inlet_starved",
    "burst": "excess_demand",
    "hydrant": "excess_demand",
    "transmitter": "sensor_fault",
    "meter": "sensor_fault",
    "beside": "held_shut",
    "silence": "telemetry_loss",
}
MILD = {
    "departure": 0.03,
    "below": 0.045,
    "above": 0.045,
    "way": 0.12,
    "swing": 0.012,
    "strays": 0.03,
    "flow": 0.3,
}
"""Share of set, of the way to the inlet, of the mean flow, from which on an effect can be seen (our own)."""


@dataclass(slots=True)
class Drive:
    """What drives a station, shape (n,) each, every ``DT_S``."""

    source: FloatArray
    demand: FloatArray
    setting: FloatArray
    low: FloatArray
    high: FloatArray
    choke: FloatArray
    seat_kv: FloatArray
    open_s: FloatArray
    close_s: FloatArray
    gain: FloatArray
    lag_s: FloatArray
    beside: FloatArray

    def copy(self) -> Drive:
        """An independent copy."""
        return Drive(*(getattr(self, name).copy() for name in self.__slots__))

    def play(self, plant: Plant) -> tuple[FloatArray, ...]:
        """Inlet, outlet, flow, travel."""
        return run(plant, *(getattr(self, name) for name in self.__slots__))  # type: ignore[no-any-return]


@dataclass(slots=True)
class Happening:
    """What was done: when, until when, how its effect shows, other fair names."""

    kind: str
    at_s: int
    to_s: int
    effect: str
    size: float = float("nan")
    also: tuple[str, ...] = ()
    how: str = ""
    life: list[Life] = field(default_factory=list)


def make_case(i: int, seed: int) -> Case:
    """Case i of a seed."""
    rng = np.random.default_rng([9091, seed, i])
    u = rng.random()
    group = "fault" if u < 0.44 else "lookalike" if u < 0.78 else "healthy"
    weights = FAULTS if group == "fault" else OTHERS
    names = list(weights)
    kind = (
        ""
        if group == "healthy"
        else names[int(rng.choice(len(names), p=np.array([*weights.values()]) / sum(weights.values())))]
    )
    step_s = int(rng.choice([60, 120, 300, 600, 900], p=[0.4, 0.05, 0.25, 0.1, 0.2]))
    if kind in ("needle", "limit cycle"):
        step_s = int(rng.choice([30, 60, 60, 120]))
    learn_days, test_days = 25 + int(rng.integers(0, 10)), 10 + int(rng.integers(0, 6))
    n = (learn_days + test_days) * DAY_S // DT
    from_s = EPOCH_S + int(rng.integers(0, 330)) * DAY_S
    t = from_s + DT * np.arange(n, dtype=np.int64)
    judge_s = from_s + learn_days * DAY_S
    dead_nights = kind in ("creep", "beside") or rng.random() < 0.2
    set_kpa = float(rng.uniform(200, 700))
    homes = float(
        np.exp(rng.uniform(np.log(25 if dead_nights else 60), np.log(120 if dead_nights else 6000)))
    )
    plant, drive = _station(rng, t, set_kpa, homes, dead_nights)
    at_s = judge_s + int(rng.uniform(1.0, 5.5) * DAY_S) // 60 * 60
    life = _days(rng, t, drive, judge_s, at_s if kind else None)
    healthy = drive.play(plant)
    event = None
    if kind in FAULTS:
        event = _to_the_valve(rng, kind, drive, t, at_s, set_kpa, plant, healthy)
    elif kind:
        event = _to_the_rest(rng, kind, drive, t, at_s, set_kpa, healthy)
    truth = drive.play(plant) if event is not None else healthy
    life += event.life if event is not None else []
    episode = (
        _episode(event, t, truth, healthy, set_kpa) if event is not None and event.kind in NAMES else None
    )
    if event is not None and event.kind in NAMES and episode is None:
        life.append(Life(event.kind, at_s, event.to_s, (NAMES[event.kind], *event.also)))
        group = "healthy"
    log, averaged, heartbeat_s = _logged(rng, t, truth, step_s, event, set_kpa)
    neighbour = None
    if event is not None and event.kind == "beside" and rng.random() < 0.6:
        near = np.where(np.isnan(drive.beside), set_kpa * 0.97, drive.beside)[:: step_s // DT]
        neighbour = t[:: step_s // DT], np.round(near + rng.normal(0, 0.8, len(near)), 1)
    return Case(
        id=f"dynamic-{seed}-{i:04d}",
        world="dynamic",
        group=group,
        kind=kind or "ordinary",
        step_s=step_s,
        time_zone="America/Denver",
        learn_from_s=from_s,
        judge_from_s=judge_s,
        end_s=int(t[-1]) + DT,
        log=log,
        neighbour=neighbour,
        averaged=averaged,
        heartbeat_s=heartbeat_s,
        rated_kv_m3h=round(plant.kv_full) if rng.random() < 0.3 else None,
        episode=episode,
        life=tuple(life),
    )


def _station(
    rng: np.random.Generator, t: IntArray, set_kpa: float, homes: float, dead: bool
) -> tuple[Plant, Drive]:
    n = len(t)
    hour, weekday = (t % DAY_S) / 3600.0, (t // DAY_S + 3) % 7
    busy = np.interp(
        hour,
        [0, 2, 4.5, 6, 7.3, 9, 12, 14, 17, 19, 21.5, 24],
        [0.35, 0.12, 0.1, 0.7, 2.2, 1.4, 1.2, 0.9, 1.2, 1.9, 1.2, 0.35],
    )
    if dead:
        busy = np.where((hour > rng.uniform(0.3, 1.3)) & (hour < rng.uniform(4, 5.3)), 0.0, busy)
    busy = busy * np.where(weekday >= 5, rng.uniform(0.8, 1.2), 1.0)
    steady = np.repeat(np.exp(rng.normal(0, 0.06, n // 8640 + 1)), 8640)[:n]
    demand = pulses(rng, n, busy * steady, homes)
    if rng.random() < 0.25:  # a works or a school
        works = (weekday < 5) & (hour > 6.5) & (hour < rng.uniform(14, 20))
        demand += works * demand.mean() * rng.uniform(0.2, 0.9) * (1 + 0.05 * rng.standard_normal(n))
    mean = float(demand.mean())
    over = float(np.exp(rng.uniform(np.log(80), np.log(450))))
    kv_full = 36.0 * float(np.quantile(demand, 0.999)) / np.sqrt(over) * float(rng.uniform(1.6, 6.0))
    leak = 0.0 if dead else mean * float(rng.uniform(0.03, 0.25))
    plant = Plant(
        kv_full,
        float(rng.uniform(15, 60)),
        max(mean * float(rng.uniform(0.6, 4.0)), 0.05),
        over * float(rng.uniform(0.0, 0.25)) / (3 * mean) ** 2,
        set_kpa,
        float(rng.uniform(0.2, 0.6)),
        leak,
        float(rng.uniform(0.5, 1.3)),
        float(rng.uniform(0.0003, 0.0015)),
        float(rng.uniform(0.03, 0.09)) * set_kpa,
        max(20.0 / max(mean, 0.05), 1.0),
    )
    source = (
        set_kpa
        + over * (1 + 0.06 * np.sin(2 * np.pi * (hour - rng.uniform(0, 24)) / 24))
        + _slow(rng, n, over * 0.04)
    )
    if rng.random() < 0.35:
        starts = np.cumsum(rng.exponential(4 * 3600, n // 1200))
        starts = starts[starts < n * DT]
        on = (np.searchsorted(starts, (t - t[0]).astype(float)) % 2).astype(float)
        source = source + over * rng.uniform(0.02, 0.12) * on
    setting = np.full(n, set_kpa)
    if rng.random() < 0.12:
        setting = np.where((hour >= 5) & (hour < 22.5), set_kpa, set_kpa * rng.uniform(0.8, 0.94))
    one = np.ones(n)
    speed = float(rng.uniform(10, 60))
    drive = Drive(
        source,
        demand,
        setting,
        0.0 * one,
        one.copy(),
        one.copy(),
        0.0 * one,
        speed * one,
        speed * float(rng.uniform(1, 2)) * one,
        one.copy(),
        float(rng.uniform(1, 4)) * one,
        np.full(n, np.nan),
    )
    return plant, drive


def _slow(rng: np.random.Generator, n: int, size: float) -> FloatArray:
    knots = rng.normal(0, size, n // 2160 + 2)
    return np.interp(np.arange(n) / 2160.0, np.arange(len(knots)), knots)


def _days(rng: np.random.Generator, t: IntArray, d: Drive, judge_s: int, until_s: int | None) -> list[Life]:
    """Ordinary life, before anything happens."""
    life = []
    for _ in range(int(rng.poisson(2.0 if until_s else 3.5))):
        at = int(rng.uniform(t[0] + 43200, (until_s - 30000) if until_s else t[-1] - 43200))
        what = int(rng.integers(6))
        hours = (
            rng.uniform(24, 120),
            rng.uniform(60, 240),
            rng.uniform(0.1, 1.0),
            rng.uniform(0.05, 2.0),
            rng.uniform(6, 60),
            rng.uniform(0.3, 4.0),
        )[what]
        span = (t >= at) & (t < at + hours * 3600)
        if what == 0:
            d.demand[span] *= rng.uniform(0.55, 0.85)
        elif what == 1:
            d.demand[span] *= rng.uniform(1.1, 1.45)
        elif what == 2:
            d.demand[span] += d.demand.mean() * rng.uniform(0.5, 3.0)
        elif what == 3:
            d.source[span] -= rng.uniform(0.05, 0.4) * (d.source[span] - d.setting[span])
        elif what == 4:
            d.source[span] += rng.uniform(-0.25, 0.35) * (d.source[span] - d.setting[span])
        else:
            d.demand[span] += (
                d.demand.mean()
                * rng.uniform(0.2, 0.8)
                * (np.sin(2 * np.pi * t[span] / rng.uniform(400, 3000)) > 0)
            )
        if at + hours * 3600 > judge_s:
            names = (
                ("unfamiliar", "excess_demand")
                if what in (1, 2, 5)
                else ("unfamiliar", "inlet_starved")
                if what == 3
                else ("unfamiliar",)
            )
            life.append(
                Life(
                    ("holiday", "heat", "hydrant", "pump trip", "another source", "batches")[what],
                    at,
                    int(at + hours * 3600),
                    names,
                )
            )
    return life


def _grow(t: IntArray, at: int, hours: float) -> FloatArray:
    return np.clip((t - at) / (3600.0 * max(hours, 0.01)), 0.0, 1.0)


def _spread(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _to_the_valve(
    rng: np.random.Generator,
    kind: str,
    d: Drive,
    t: IntArray,
    at: int,
    set_kpa: float,
    plant: Plant,
    healthy: tuple[FloatArray, ...],
) -> Happening:
    end = int(t[-1])
    inlet, _, flow, travel = healthy
    since = t >= at
    if kind == "drift":
        size = float(rng.choice([-1.0, 1.0])) * _spread(rng, 0.035, 0.16)
        d.setting += size * set_kpa * _grow(t, at, _spread(rng, 15, 140))
        return Happening(kind, at, end, "departure", size, ("sensor_fault",) if abs(size) > 0.1 else ())
    if kind == "creep":
        size = _spread(rng, 0.0006, 0.02)
        d.seat_kv += size * plant.kv_full * _grow(t, at, float(rng.choice([0.2, 60.0])))
        return Happening(kind, at, end, "way", size)
    if kind == "choked":
        size = (
            float(np.quantile(36 * flow / np.sqrt(np.maximum(inlet - set_kpa, 5.0)), 0.97))
            / plant.kv_full
            * _spread(rng, 0.25, 0.9)
        )
        d.choke *= 1 - (1 - size) * _grow(t, at, _spread(rng, 1, 130))
        return Happening(kind, at, end, "below", size)
    if kind == "ceiling":
        size = float(np.quantile(travel, 0.95)) - _spread(rng, 0.02, 0.3)
        d.high[since] = max(size, 0.02)
        return Happening(kind, at, end, "below", size)
    if kind == "floor":
        size = float(np.quantile(travel, rng.uniform(0.3, 0.97)))
        d.low[since] = size
        return Happening(kind, at, end, "above", size, ("creep",) if np.median(flow) < 0.05 else ())
    if kind == "limit cycle":
        d.gain[since] *= _spread(rng, 3, 30)
        d.lag_s[since] = _spread(rng, 15, 240)
        return Happening(kind, at, end, "swing", also=("slow_response",))
    slow = _spread(rng, 25, 200)
    d.open_s[since] *= slow
    if rng.random() < 0.6:
        d.close_s[since] *= slow
    return Happening(kind, at, end, "strays", slow, ("hunting",))


def _to_the_rest(
    rng: np.random.Generator,
    kind: str,
    d: Drive,
    t: IntArray,
    at: int,
    set_kpa: float,
    healthy: tuple[FloatArray, ...],
) -> Happening:
    end = int(t[-1])
    inlet, _, flow, _ = healthy
    over = float(np.median(inlet)) - set_kpa
    since = t >= at
    to = at + int(_spread(rng, 5, 150) * 3600)
    span = since & (t < to)
    if kind == "screw":
        size = float(rng.choice([-1.0, 1.0])) * _spread(rng, 0.035, 0.4)
        d.setting[since] += size * set_kpa
        return Happening(kind, at, end, "departure", size, ("drift",) if abs(size) < 0.05 else ())
    if kind == "clock":
        night = ((t % DAY_S) < 5 * 3600) & since
        d.setting[night] -= rng.uniform(0.08, 0.2) * set_kpa
        return Happening(kind, at, end, "departure", also=("unfamiliar",))
    if kind == "short supply":
        d.source[span] -= over * rng.uniform(1.0, 1.6) * _grow(t, at, rng.uniform(0.1, 3))[span]
        return Happening(kind, at, min(to, end), "below")
    if kind in ("burst", "hydrant"):
        to = to if kind == "burst" else at + int(rng.uniform(0.7, 4) * 3600)
        span = since & (t < to)
        d.demand[span] += flow.mean() * _spread(rng, 0.8, 5)
        return Happening(kind, at, min(to, end), "flow")
    if kind == "transmitter":
        how = str(rng.choice(["stuck", "jump", "slow", "spikes", "scale", "inlet jump"]))
        also = {"jump": ("set_changed",), "slow": ("drift",)}.get(how, ())
        return Happening(
            kind, at, end, "now", float(rng.choice([-1.0, 1.0])) * _spread(rng, 0.05, 0.4), also, how
        )
    if kind == "meter":
        how = str(rng.choice(["zero", "unit"]))
        return Happening(
            kind,
            at,
            end,
            "now",
            0.0,
            ("held_shut",) if how == "zero" else ("excess_demand", "unfamiliar"),
            how,
        )
    if kind == "beside":
        d.beside[span] = set_kpa * rng.uniform(1.03, 1.15)
        return Happening(kind, at, min(to, end), "now", also=("unfamiliar",))
    if kind == "surges":
        d.source[span] += (
            over * rng.uniform(0.05, 0.2) * np.sin(2 * np.pi * t[span] / _spread(rng, 120, 1500))
        )
        return Happening(kind, at, min(to, end), "now", life=[Life(kind, at, min(to, end), ("unfamiliar",))])
    if kind == "batches":
        d.demand[span] += (
            flow.mean()
            * rng.uniform(0.4, 1.5)
            * (np.sin(2 * np.pi * t[span] / _spread(rng, 240, 2400)) > 0.3)
        )
        return Happening(
            kind,
            at,
            min(to, end),
            "now",
            life=[Life(kind, at, min(to, end), ("unfamiliar", "excess_demand"))],
        )
    return Happening(kind, at, min(to, end), "now")


def _episode(
    e: Happening, t: IntArray, truth: tuple[FloatArray, ...], healthy: tuple[FloatArray, ...], set_kpa: float
) -> Episode | None:
    """When the effect on the true outlet or flow passes its mild limit for good; None if it never does."""
    gone = (truth[1] - healthy[1]) / set_kpa
    hourly = np.ones(360) / 360.0
    if e.effect == "now":
        effect, limit = np.ones(len(t)), 0.5
        if e.how == "slow":
            effect, limit = abs(e.size) * _grow(t, e.at_s, 80.0), MILD["departure"]
    elif e.effect == "swing":
        limit = MILD["swing"]
        fast = gone - np.convolve(gone, hourly, "same")
        effect = 2.8 * np.sqrt(np.convolve(fast * fast, hourly, "same"))
    elif e.effect == "strays":
        limit = MILD["strays"]
        fast = np.abs(gone)
        effect = np.maximum.reduceat(fast, np.arange(0, len(fast), 360)).repeat(360)[: len(fast)]
    elif e.effect == "way":
        limit = MILD["way"]
        shut = truth[2] < 0.03 * healthy[2].mean()
        rise = (truth[1] - healthy[1]) / np.maximum(truth[0] - healthy[1], 1.0)
        effect = np.where(shut, rise, 0.0)
    elif e.effect == "flow":
        limit = MILD["flow"]
        effect = (truth[2] - healthy[2]) / healthy[2].mean()
    else:
        limit = MILD[e.effect]
        sign = {"below": -1.0, "above": 1.0}.get(e.effect)
        effect = np.abs(gone) if sign is None else sign * gone
    there = np.flatnonzero((t >= e.at_s) & (t <= e.to_s) & (effect >= limit))
    if len(there) < 60:
        return None
    severity = "mild" if limit < 0.4 and float(np.quantile(effect[there], 0.9)) < 2.0 * limit else "clear"
    return Episode(NAMES[e.kind], e.at_s, int(t[there[0]]), e.to_s, severity, e.also, e.size, e.kind)


def _logged(
    rng: np.random.Generator,
    t: IntArray,
    truth: tuple[FloatArray, ...],
    step_s: int,
    e: Happening | None,
    set_kpa: float,
) -> tuple[dict[str, tuple[IntArray, FloatArray]], bool, int | None]:
    """Transmitters with a lag, a range and bits; an outstation that samples, averages or reports changes."""
    every = step_s // DT
    quick = e is not None and e.kind in ("limit cycle", "needle")
    averaged = not quick and step_s >= 300 and rng.random() < 0.4
    on_change = not averaged and step_s <= 120 and rng.random() < 0.15
    with_meter = rng.random() < 0.67 or (e is not None and e.kind in ("burst", "hydrant", "meter", "needle"))
    bits = float(rng.choice([10, 12, 14, 16]))
    jitter = int(rng.integers(0, max(step_s // 6, 1) + 1)) if rng.random() < 0.2 else 0
    log = {}
    gaps = np.zeros(len(t), dtype=bool)
    for _ in range(rng.poisson(2)):
        at = int(rng.integers(len(t)))
        gaps[at : at + int(rng.exponential(400))] = True
    if e is not None and e.kind == "silence":
        gaps |= (t >= e.at_s) & (t < e.to_s)
    for name, x in (("inlet", truth[0]), ("outlet", truth[1]), ("flow", truth[2])):
        if name == "flow" and not with_meter:
            continue
        top = 1.6 * float(np.quantile(truth[0], 0.999)) if name != "flow" else 1.5 * float(x.max()) + 0.1
        y = x + rng.normal(0, 0.0008 * top if name != "flow" else 0.004 * top, len(x))
        at = t[::every]
        if averaged:
            m = len(y) // every
            y, at = y[: m * every].reshape(m, every).mean(axis=1), at[:m]
        else:
            y = y[::every]
        y = np.round(y / top * 2**bits) / 2**bits * top
        if name == "flow":
            y[y < 0.008 * top] = 0.0
        if e is not None:
            y = _wrong(rng, name, y, at, e, set_kpa)
        keep = ~gaps[::every][: len(y)]
        if on_change:
            keep &= _deadband(y, 0.003 * top, 7200 // step_s)
        at = at + rng.integers(0, jitter + 1, len(at)) if jitter else at
        log[name] = at[keep], y[keep]
    return log, averaged, 7200 if on_change else None


def _deadband(y: FloatArray, band: float, most: int) -> BoolArray:
    keep = np.zeros(len(y), dtype=bool)
    held, age = np.inf, 0
    for i in range(len(y)):
        age += 1
        if age >= most or abs(y[i] - held) > band:
            keep[i] = True
            held, age = y[i], 0
    return keep


def _wrong(
    rng: np.random.Generator, name: str, y: FloatArray, at: IntArray, e: Happening, set_kpa: float
) -> FloatArray:
    since = at >= e.at_s
    wanted = {"meter": "flow", "transmitter": "inlet" if e.how == "inlet jump" else "outlet"}.get(e.kind)
    if wanted != name or not since.any():
        return y
    y = y.copy()
    if e.how == "stuck":
        y[since] = y[since][0]
    elif e.how in ("jump", "inlet jump"):
        y[since] += e.size * set_kpa
    elif e.how == "slow":
        y += e.size * set_kpa * _grow(at, e.at_s, 80.0)
    elif e.how == "spikes":
        hit = since & (rng.random(len(y)) < 0.03)
        y[hit] *= rng.uniform(0.2, 1.9, hit.sum())
    elif e.how == "scale":
        y[since] *= float(rng.choice([0.1, 0.145038, 6.894757, 9.80665]))
    elif e.how == "zero":
        y[since] = 0.0
    elif e.how == "unit":
        y[since] *= float(rng.choice([3.6, 0.2777778, 15.850323]))
    return y
