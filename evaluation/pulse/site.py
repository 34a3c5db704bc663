"""A station with its district, inlet and calendar of ordinary things, before anything goes wrong."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
from scipy.signal import lfilter

from evaluation.case import DAY_S, Life
from evaluation.pulse.demand import GRID_S, pulses, rhythm
from evaluation.pulse.hydraulics import KV_LPS, Drive, Plant, healthy_faults
from steadyhead.types import FloatArray, IntArray

Rng = np.random.Generator
ZONES = (
    "UTC",
    "Europe/London",
    "Europe/Rome",
    "Europe/Warsaw",
    "Africa/Nairobi",
    "Africa/Casablanca",
    "America/Lima",
    "America/Denver",
    "America/New_York",
    "America/Sao_Paulo",
    "Asia/Kolkata",
    "Asia/Tokyo",
    "Asia/Riyadh",
    "Australia/Adelaide",
    "Pacific/Auckland",
    "Pacific/Honolulu",
)


@dataclass
class Site:
    """One station's span; the fine time of row i is the end of its step.

    usual_set : the pilot's level [kPa], about which the drive's ``set_kpa`` may vary
    """

    step_s: int
    dt_s: int
    zone: str
    learn_from_s: int
    judge_from_s: int
    end_s: int
    t: IntArray
    local: IntArray
    plant: Plant
    drive: Drive
    life: list[Life]
    has_flow: bool
    has_inlet: bool
    is_quiet: bool
    mean_lps: float
    usual_set: float
    rhythm: str
    modes: str = ""
    schedule_kpa: tuple[float, ...] = ()
    has_tie: bool = False

    def row(self, at_s: float) -> int:
        """First fine row that ends after this time."""
        return int(np.clip((at_s - self.learn_from_s) // self.dt_s, 0, len(self.t) - 1))

    def span(self, from_s: float, to_s: float) -> slice:
        """Fine rows of a span of time."""
        return slice(self.row(from_s), max(self.row(from_s) + 1, self.row(to_s)))

    def zeros(self) -> FloatArray:
        """One zero per fine row."""
        return np.zeros(len(self.t))


def log_uniform(rng: Rng, low: float, high: float) -> float:
    """A number whose logarithm is uniform."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def wander(rng: Rng, n: int, steps: float, spread: float) -> FloatArray:
    """First-order wander, correlation length in steps, shape (n,)."""
    phi = np.exp(-1 / max(steps, 1e-3))
    values: FloatArray = lfilter([spread * np.sqrt(1 - phi**2)], [1, -phi], rng.normal(size=n))
    return values


def _calendar(rng: Rng, wants_fine: bool, dt_of: int | None) -> tuple[int, int, int, int, int, str]:
    steps, odds = (60, 120, 300, 600, 900), (0.3, 0.12, 0.2, 0.1, 0.28)
    step_s = int(rng.choice(steps, p=odds))
    if wants_fine:
        step_s = int(rng.choice([15, 30, 60, 60, 60, 120]))
    elif rng.random() < 0.03:
        step_s = 30
    fits = [d for d in (3, 5, 6, 10, 15, 30) if step_s % d == 0 and d <= max(15, step_s // 4)]
    dt_s = fits[-1] if dt_of is None else min(fits, key=lambda d: abs(d - dt_of))
    year = int(rng.integers(2014, 2026))
    start = int(datetime(year, 1, 1, tzinfo=UTC).timestamp()) + int(rng.integers(0, 364)) * DAY_S
    learn = int(rng.integers(14, 29))
    judged = int(rng.integers(10, 22))
    zone = str(rng.choice(ZONES))
    return step_s, dt_s, start, start + learn * DAY_S, start + (learn + judged) * DAY_S, zone


def local_times(t: IntArray, zone: str) -> IntArray:
    """Seconds of local wall clock since 1970, shape as given."""
    hours = np.arange(t[0] // 3600 * 3600, t[-1] + 7200, 3600)
    where = ZoneInfo(zone)
    offsets = np.array([datetime.fromtimestamp(h, where).utcoffset().total_seconds() for h in hours.tolist()])  # type: ignore[union-attr]
    return t + offsets[(t - hours[0]) // 3600].astype(np.int64)


def _demand(
    rng: Rng, t: IntArray, dt_s: int, zone: str, mean: float, is_quiet: bool
) -> tuple[FloatArray, str]:
    coarse = np.arange(t[0] - dt_s, t[-1] + 2 * GRID_S, GRID_S)
    shape, names = rhythm(rng, local_times(coarse, zone), is_quiet)
    flow = mean * np.interp(t, coarse, shape)
    flow *= 1 + rng.choice([0, 0, 1]) * rng.uniform(-0.2, 0.25) * (t - t[0]) / (t[-1] - t[0])
    if mean < 4 or is_quiet:
        lumps = rng.uniform(0.3, 1.0) if not is_quiet else rng.uniform(0.7, 1)
        size = rng.uniform(0.04, 0.25) * (1 + mean / 5)
        flow = (1 - lumps) * flow + pulses(rng, lumps * flow, dt_s, size, rng.uniform(30, 300))
    else:
        quick = rng.uniform(0.2, 1.0) * 0.04 / np.sqrt(max(mean, 1) / 4)
        flow *= np.exp(wander(rng, len(t), rng.uniform(30, 400) / dt_s, quick))
    return flow, names


def _source(rng: Rng, t: IntArray, local: IntArray, level: float) -> tuple[FloatArray, str]:
    """Pressure at the far end of the inlet main: level, day, pumps, wander, and steps from day to day."""
    hour = (local % 86400) / 3600
    out = np.full(len(t), level)
    dip = rng.choice([0, 1], p=[0.3, 0.7]) * rng.uniform(0.01, 0.1)
    at = rng.uniform(6, 21)
    out -= level * dip * (0.5 + 0.5 * np.cos(2 * np.pi * (hour - at) / 24)) ** rng.uniform(1, 3)
    dt_s = int(t[1] - t[0])
    out += level * wander(rng, len(t), rng.uniform(0.5, 12) * 3600 / dt_s, rng.uniform(0.001, 0.015))
    modes = ""
    if rng.random() < 0.3:
        period, duty = log_uniform(rng, 0.5, 9) * 3600, rng.uniform(0.25, 0.75)
        phase = np.cumsum(1 + 0.2 * wander(rng, len(t), 4 * period / dt_s, 1.0)) * dt_s / period
        on = ((phase + rng.random()) % 1 < duty).astype(float)
        smooth = dt_s / rng.uniform(30, 300)
        a = 1 - np.exp(-smooth)
        out += level * rng.uniform(0.02, 0.14) * (lfilter([a], [1, a - 1], on) - duty)
        modes += "pumps "
    if rng.random() < 0.12:
        n_days = int((t[-1] - t[0]) // DAY_S) + 1
        levels = np.cumsum(rng.normal(0, 0.01, n_days + 1))
        out += level * np.interp(t, t[0] + DAY_S * np.arange(n_days + 1), np.clip(levels, -0.06, 0.06))
    return out, modes


def _modes(
    rng: Rng, t: IntArray, local: IntArray, base: float, flow: FloatArray
) -> tuple[FloatArray, tuple[float, ...], str]:
    """Set pressure over time, the week of quarter hours it follows (else empty), and its word."""
    kind = rng.random()
    if kind < 0.16:
        night = base * rng.uniform(0.6, 0.95)
        quarter = np.arange(672)
        h = quarter % 96 / 4
        start, stop = rng.choice([21, 22, 23, 23.5]), rng.choice([4, 5, 5.5, 6])
        week = np.where((h >= start) | (h < stop), night, base)
        if rng.random() < 0.3:
            week = np.where(quarter >= 480, base * rng.uniform(0.85, 1), week)
        now = week[(((local // 86400 + 3) % 7) * 96 + local % 86400 // 900).astype(int)]
        return now, tuple(float(round(w, 1)) for w in week), "scheduled"
    if kind < 0.23:
        dt_s = int(t[1] - t[0])
        a = 1 - np.exp(-dt_s / 900)
        slow = lfilter([a], [1, a - 1], flow, zi=[flow[0] * (1 - a)])[0]
        share = np.clip(slow / np.quantile(slow, 0.98), 0, 1)
        low = rng.uniform(0.7, 0.93)
        return base * (low + (1 - low) * share), (), "modulated"
    return np.full(len(t), base), (), ""


def _lag(rng: Rng, mean_lps: float) -> float:
    """A healthy stem's lag [s]: small valves are quick, some large ones are throttled to calm the loop."""
    if mean_lps < 4:
        return log_uniform(rng, 1.5, 8) if rng.random() < 0.85 else log_uniform(rng, 8, 20)
    return log_uniform(rng, 3, 30) if rng.random() < 0.85 else log_uniform(rng, 30, 70)


def make_site(rng: Rng, needs: frozenset[str], dt_of: int | None = None) -> Site:
    """A station of any size and place; ``needs`` may hold "quiet", "fine", "tie", "meter"."""
    step_s, dt_s, learn, judge, end, zone = _calendar(rng, "fine" in needs, dt_of)
    t = np.arange(learn + dt_s, end + 1, dt_s, dtype=np.int64)
    local = local_times(t, zone)
    is_quiet = "quiet" in needs or rng.random() < 0.06
    mean = log_uniform(rng, 0.3, 4) if is_quiet else log_uniform(rng, 0.4, 150)
    flow, names = _demand(rng, t, dt_s, zone, mean, is_quiet)
    base = log_uniform(rng, 150, 900)
    level = float(
        min(base * rng.choice([rng.uniform(1.2, 1.8), rng.uniform(1.4, 4)]), max(2400.0, 1.3 * base))
    )
    source, modes = _source(rng, t, local, level)
    leak_share = log_uniform(rng, 0.0002, 0.03) if is_quiet else rng.uniform(0.02, 0.4)
    flow *= 1 - leak_share
    set_kpa, schedule, word = _modes(rng, t, local, base, flow)
    peak = float(np.quantile(flow, 0.998)) + leak_share * mean
    spare = max(level - base, 20)
    loss = rng.uniform(0.01, 0.3) * spare
    margin = rng.uniform(1.6, 8) if rng.random() < 0.82 else rng.uniform(0.9, 1.6)
    kv = margin * KV_LPS * peak / np.sqrt(max(spare - loss, 5.0))
    stroke = rng.uniform(8, 25 if mean < 4 else 90)
    plant = Plant(
        inlet_k=loss / peak**1.852,
        kv_max=kv,
        shape=rng.uniform(1.0, 1.9),
        droop_kpa=base * rng.choice([rng.uniform(0.001, 0.02), rng.uniform(0.01, 0.06)]),
        lockup_kpa=base * rng.uniform(0.008, 0.07),
        seat_lps=mean * rng.uniform(0.02, 0.15),
        usual_lps=mean,
        usual_kpa=base,
        leak_lps=leak_share * mean,
        leak_grows=rng.uniform(0, 0.9),
        elastic=rng.uniform(0, 0.6),
        stretch=mean * log_uniform(rng, 0.003, 0.12) * (4 if mean < 4 else 1),
        stroke_s=stroke,
    )
    tie = np.full(len(t), np.nan)
    has_tie = "tie" in needs or rng.random() < 0.08
    if has_tie:
        q = mean * rng.uniform(0.3, 2)
        plant = replace(plant, tie_k=base * rng.uniform(0.02, 0.2) / q**1.852)
        if "tie" not in needs and rng.random() < 0.7:
            tie = set_kpa * rng.uniform(0.93, 0.995) + wander(rng, len(t), 7200 / dt_s, base * 0.006)
            modes += "two feeds "
    faults = healthy_faults(
        len(t), _lag(rng, mean), _lag(rng, mean), base * log_uniform(rng, 0.0005, 0.015), stroke
    )
    # no pilot is perfect: warmth and friction move it a little, and so does the inlet
    faults[0] = wander(
        rng, len(t), log_uniform(rng, 0.5, 48) * 3600 / dt_s, base * log_uniform(rng, 0.0005, 0.006)
    )
    faults[0] -= rng.choice([0, 1]) * rng.uniform(0, 0.03) * (source - level)
    drive = Drive(dt_s, source, flow, set_kpa, np.zeros(len(t)), tie, faults)
    return Site(
        step_s, dt_s, zone, learn, judge, end, t, local, plant, drive, [],
        has_flow="meter" in needs or rng.random() < 0.64,
        has_inlet=rng.random() < 0.93,
        is_quiet=is_quiet,
        mean_lps=mean,
        usual_set=base,
        rhythm=names,
        modes=(modes + word).strip(),
        schedule_kpa=schedule,
        has_tie=has_tie,
    )  # fmt: skip


# Ordinary life of the water itself. Each takes the span it was given and changes the drive in place.


def _heat(rng: Rng, site: Site, at: int) -> Life:
    days = int(rng.integers(3, 9))
    here = site.span(at, at + days * DAY_S)
    hour = site.local[here] % 86400 / 3600
    rise = rng.uniform(0.1, 0.5) * np.where((hour > 17) | (hour < 8), 1.2, 0.7)
    edge = np.minimum(1, np.minimum(np.arange(len(hour)), np.arange(len(hour))[::-1]) * site.dt_s / DAY_S)
    site.drive.demand_lps[here] *= 1 + rise * edge
    return Life("heat wave", at, at + days * DAY_S, ("excess_demand",))


def _holiday(rng: Rng, site: Site, at: int) -> Life:
    days = int(rng.integers(1, 9))
    at = at // DAY_S * DAY_S
    site.drive.demand_lps[site.span(at, at + days * DAY_S)] *= rng.uniform(0.3, 0.9)
    return Life("holiday", at, at + days * DAY_S)


def _festival(rng: Rng, site: Site, at: int) -> Life:
    days = int(rng.integers(1, 4))
    here = site.span(at, at + days * DAY_S)
    hour = site.local[here] % 86400 / 3600
    site.drive.demand_lps[here] += site.mean_lps * rng.uniform(0.2, 1.0) * ((hour > 16) | (hour < 1.5))
    return Life("festival", at, at + days * DAY_S, ("excess_demand",))


def _flush(rng: Rng, site: Site, at: int) -> Life:
    lasts = int(rng.uniform(600, 2700))
    size = max(rng.uniform(2, 12), 0.3 * site.mean_lps) if site.mean_lps > 2 else rng.uniform(0.5, 4)
    site.drive.emitter[site.span(at, at + lasts)] += size / np.sqrt(site.usual_set)
    allowed = ("excess_demand",) if site.has_flow else ("excess_demand", "failure_to_open", "inlet_starved")
    return Life("hydrant flushed", at, at + lasts + 1800, allowed)


def _pump_service(rng: Rng, site: Site, at: int) -> Life:
    days = rng.uniform(0.3, 7)
    here = site.span(at, at + days * DAY_S)
    s = site.drive.source_kpa
    spare = s[here].mean() - site.usual_set
    s[here] -= rng.uniform(0.05, 0.5) * spare
    return Life("upstream pump in service", at, int(at + days * DAY_S))


def _other_source(rng: Rng, site: Site, at: int) -> Life:
    days = rng.uniform(1, 8)
    here = site.span(at, at + days * DAY_S)
    s = site.drive.source_kpa
    spare = s[here].mean() - site.usual_set
    ripple = np.sin(2 * np.pi * site.t[here] / (rng.uniform(1, 12) * 3600))
    s[here] += spare * (rng.uniform(-0.4, 0.6) + rng.uniform(0, 0.15) * ripple)
    return Life("another source", at, int(at + days * DAY_S))


def _ajar(rng: Rng, site: Site, at: int) -> Life:
    days = rng.uniform(0.2, 3)
    here = site.span(at, at + days * DAY_S)
    site.drive.emitter[here] += rng.uniform(0.02, 0.12) * site.mean_lps / np.sqrt(site.usual_set)
    return Life("contractor left a valve ajar", at, int(at + days * DAY_S), ("excess_demand",))


def _waves(rng: Rng, site: Site, at: int) -> Life:
    days = rng.uniform(0.5, 6)
    here = site.span(at, at + days * DAY_S)
    period = log_uniform(rng, 120, 2400)
    phase = 2 * np.pi * site.t[here] / period + wander(
        rng, here.stop - here.start, 20 * period / site.dt_s, 1.0
    )
    spare = max(site.drive.source_kpa[here].mean() - site.usual_set, 10)
    site.drive.source_kpa[here] += spare * rng.uniform(0.03, 0.25) * np.sin(phase)
    return Life("pressure waves from upstream", at, int(at + days * DAY_S))


def _batches(rng: Rng, site: Site, at: int) -> Life:
    days = rng.uniform(0.5, 6)
    here = site.span(at, at + days * DAY_S)
    period = log_uniform(rng, 300, 5400)
    is_on = (site.t[here] / period) % 1 < rng.uniform(0.2, 0.7)
    site.drive.demand_lps[here] += site.mean_lps * rng.uniform(0.1, 0.5) * is_on
    return Life("batches drawn downstream", at, int(at + days * DAY_S))


def _joined(rng: Rng, site: Site, at: int) -> Life:
    days = rng.uniform(0.5, 2.8)
    here = site.span(at, at + days * DAY_S)
    if site.plant.tie_k == 0:
        q = site.mean_lps * rng.uniform(0.3, 2)
        site.plant = replace(site.plant, tie_k=site.usual_set * 0.05 / q**1.852)
    site.drive.tie_kpa[here] = site.drive.set_kpa[here] * rng.uniform(0.9, 1.06)
    return Life(
        "zones joined",
        at,
        int(at + days * DAY_S),
        ("held_shut", "excess_demand", "not_in_service", "set_changed"),
    )


LIFE = {
    "heat": (_heat, 0.25),
    "holiday": (_holiday, 0.35),
    "festival": (_festival, 0.15),
    "flush": (_flush, 0.6),
    "pump_service": (_pump_service, 0.3),
    "other_source": (_other_source, 0.3),
    "ajar": (_ajar, 0.15),
    "waves": (_waves, 0.12),
    "batches": (_batches, 0.12),
    "joined": (_joined, 0.05),
}


def live(rng: Rng, site: Site, keep_free: tuple[int, int]) -> None:
    """Let ordinary things happen to the water, in both spans but not where the case needs a clear view."""
    for make, odds in LIFE.values():
        for from_s, to_s in ((site.learn_from_s, site.judge_from_s), (site.judge_from_s, site.end_s)):
            if rng.random() > odds:
                continue
            at = int(rng.integers(from_s, max(from_s + 1, to_s - DAY_S))) // 60 * 60
            if keep_free[0] <= at < keep_free[1]:
                continue
            site.life.append(make(rng, site, at))
