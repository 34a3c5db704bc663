"""One case from its number and seed: a site, its ordinary life, at most one event, and the log sent."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from evaluation.case import DAY_S, Case, Episode, Life
from evaluation.pulse.events import FAULT_MAKERS, OTHER_MAKERS, Event, measure
from evaluation.pulse.hydraulics import State, solve
from evaluation.pulse.instruments import (
    flow_chain,
    on_deadband,
    on_slope,
    pressure_chain,
    pressure_export,
    sampled,
)
from evaluation.pulse.site import LIFE, Rng, Site, live, log_uniform, make_site, wander
from evaluation.pulse.truth import spells
from steadyhead.config.model import Role
from steadyhead.types import BoolArray, FloatArray, IntArray

WORLD = "pulse"
Sent = tuple[IntArray, FloatArray]
Log = dict[Role, Sent]


def make_case(i: int, seed: int) -> Case:
    """Case i of a seed."""
    rng = np.random.default_rng([seed, i, 7757])
    group = str(rng.choice(["fault", "lookalike", "healthy"], p=[0.46, 0.3, 0.24]))
    wanted = _wanted(rng, group)
    needs: set[str] = set()
    dt_of = None
    if wanted == "creep":
        needs.add("quiet")
    if wanted == "slow_response" or (wanted == "hunting" and rng.random() < 0.6):
        needs.add("fine")
    if wanted == "hunting":
        dt_of = int(rng.choice([3, 5, 10, 15, 30]))
    site = make_site(rng, frozenset(needs), dt_of)
    cause_s = int(rng.uniform(site.judge_from_s + 1.2 * DAY_S, site.end_s - 4 * DAY_S)) // 60 * 60
    if wanted in ("drift", "creep", "slow_response") or rng.random() < 0.2:  # these take time to show
        cause_s = min(cause_s, int(site.judge_from_s + rng.uniform(1.2, 5) * DAY_S) // 60 * 60)
    live(rng, site, (cause_s - 7200, cause_s + 7200))
    twin = solve(site.plant, site.drive)
    site.life += _starved(site, twin)
    event, state, episode = _happen(rng, wanted, site, twin, cause_s)
    if event is not None and episode is None:
        kind = f"{event.kind}, too small to see"
        site.life.append(Life(kind, event.cause_s, event.end_s or site.end_s, (event.condition, *event.also)))
        group = "healthy"
    else:
        kind = event.kind if event is not None else wanted
    return _sent(rng, i, seed, group, kind, site, state, event, episode)


def _wanted(rng: Rng, group: str) -> str:
    if group == "healthy":
        return "ordinary"
    makers = FAULT_MAKERS if group == "fault" else OTHER_MAKERS
    if group == "lookalike" and rng.random() < 0.12:
        return str(rng.choice(["waves", "batches"]))
    odds = np.array([w for _, w in makers.values()])
    return str(rng.choice(list(makers), p=odds / odds.sum()))


def _happen(
    rng: Rng, wanted: str, site: Site, twin: State, cause_s: int
) -> tuple[Event | None, State, Episode | None]:
    """Let the event happen, larger up to twice if it could not be seen."""
    if wanted in ("waves", "batches"):
        site.life.append(LIFE[wanted][0](rng, site, cause_s))
        return None, solve(site.plant, site.drive), None
    makers = {**FAULT_MAKERS, **OTHER_MAKERS}
    if wanted not in makers:
        return None, twin, None
    event, state = None, twin
    again = rng.integers(0, 2**31)
    for grow in (1.0, 1.8, 3.2):
        event = makers[wanted][0](np.random.default_rng(again), site, twin, cause_s, grow)
        is_shown_only = event.edit is not None
        state = twin if is_shown_only else solve(event.plant, event.drive)
        condition, seen, more = measure(event, site, twin, state)
        latest = site.end_s - 6 * 3600
        if seen.row >= 0 and site.t[seen.row] < latest:
            event.condition = condition
            also = tuple(name for name in dict.fromkeys((*event.also, *more)) if name != condition)
            severity = "clear" if seen.largest >= seen.clear else "mild"
            end_s = min(event.end_s or site.end_s, site.end_s)
            seen_s = max(int(site.t[seen.row]), event.cause_s)
            if seen_s < end_s:
                return event, state, Episode(
                    condition, event.cause_s, seen_s, end_s, severity, also, float(event.size), event.words
                )  # fmt: skip
        if is_shown_only:
            break
    return event, state, None


def _starved(site: Site, twin: State) -> list[Life]:
    """Times at which a sound station could not hold its set for want of inlet."""
    low = (twin.outlet_kpa < 0.95 * twin.aim_kpa) & (twin.opening > 0.97)
    rows = spells(low, 3 * 3600 // site.dt_s, max(1, 600 // site.dt_s))
    allowed = ("inlet_starved",) if site.has_inlet else ("inlet_starved", "failure_to_open")
    if not site.has_flow:
        allowed += ("excess_demand",)
    return [Life("inlet low", int(site.t[a]), int(site.t[b - 1]) + 1800, allowed) for a, b in rows]


def _sent(
    rng: Rng, i: int, seed: int, group: str, kind: str, site: Site, state: State,
    event: Event | None, episode: Episode | None,
) -> Case:  # fmt: skip
    every = site.step_s // site.dt_s
    how = str(rng.choice(["instant", "mean", "mean", "min"], p=[0.5, 0.25, 0.22, 0.03]))
    flow_how = how if how != "min" else "mean"
    if how == "instant" and rng.random() < 0.4:
        flow_how = "mean"
    t = site.t[every - 1 :: every]
    columns: dict[Role, FloatArray] = {"outlet": sampled(state.outlet_kpa, every, how)}
    if site.has_inlet:
        columns["inlet"] = sampled(state.inlet_kpa, every, how)
    if site.has_flow:
        columns["flow"] = sampled(state.flow_lps, every, flow_how)
    if site.modes.endswith(("scheduled", "modulated")) and rng.random() < 0.4:
        columns["command"] = sampled(site.drive.set_kpa, every, "instant")
    _oddities(rng, site, columns, t)
    cutoff = 0.0
    if "flow" in columns:
        cutoff = site.mean_lps * float(rng.choice([0.0, rng.uniform(0.005, 0.08)]))
        columns["flow"] = np.where(columns["flow"] < cutoff, 0.0, columns["flow"])
    shown = dict(columns)
    export = pressure_export(rng)
    highest = float(np.max(state.inlet_kpa))
    chains = {
        role: flow_chain(rng, float(np.max(state.flow_lps)))
        if role == "flow"
        else pressure_chain(
            rng, highest if role == "inlet" or rng.random() < 0.6 else 1.5 * site.usual_set, export
        )
        for role in shown
    }
    read = {role: chains[role].read(rng, values) for role, values in shown.items() if role != "command"}
    if "flow" in read:
        read["flow"] = np.where(read["flow"] < cutoff, 0.0, read["flow"])
    if "command" in shown:
        read["command"] = shown["command"]
    if event is not None and event.edit is not None:
        read = event.edit(read, t.astype(float))
    missing = _missing(rng, site, t)
    if event is not None and event.kind == "link down, nothing sent":
        missing |= (t > event.cause_s) & (t <= (event.end_s or site.end_s))
    heartbeat_s, log = _reported(rng, site, read, t, missing)
    if episode is not None and heartbeat_s is not None and episode.condition == "telemetry_loss":
        seen_s = episode.cause_s + heartbeat_s  # until then silence says nothing
        if seen_s < episode.end_s:
            episode = replace(episode, seen_s=max(seen_s, episode.seen_s))
        else:
            site.life.append(
                Life("silence within the heartbeat", episode.cause_s, episode.end_s, ("telemetry_loss",))
            )
            group, episode = "healthy", None
    neighbour = _neighbour(rng, site, event, t, every)
    knows = rng.random(4) < 0.5
    return Case(
        id=f"{WORLD}-{seed}-{i:05d}",
        world=WORLD,
        group=group,
        kind=kind,
        step_s=site.step_s,
        time_zone=site.zone,
        learn_from_s=site.learn_from_s,
        judge_from_s=site.judge_from_s,
        end_s=site.end_s,
        log=log,
        neighbour=neighbour,
        averaged=how == "mean",
        heartbeat_s=heartbeat_s,
        nominal_kpa=float(round(site.usual_set / 5) * 5) if knows[0] else None,
        rated_kv_m3h=float(f"{site.plant.kv_max * rng.uniform(0.95, 1.1):.2g}") if knows[1] else None,
        cutoff_lps=round(cutoff, 4) if knows[2] and cutoff > 0 and site.has_flow else None,
        schedule_kpa=site.schedule_kpa if knows[3] else (),
        episode=episode,
        life=tuple(sorted(site.life, key=lambda one: one.from_s)),
    )


def _oddities(rng: Rng, site: Site, columns: dict[Role, FloatArray], t: IntArray) -> None:
    """Ordinary oddities of instruments, in place: a frozen impulse line, another meter, single outliers."""
    if "inlet" in columns and rng.random() < 0.06:
        at = int(rng.integers(site.learn_from_s, site.end_s - DAY_S))
        to = at + int(rng.uniform(3, 14) * 3600)
        here = (t > at) & (t <= to)
        columns["inlet"][here] = columns["inlet"][np.argmax(here)]
        site.life.append(Life("impulse line of the inlet frozen", at, to, ("sensor_fault",)))
    if "flow" in columns and rng.random() < 0.08:
        at = int(rng.integers(site.learn_from_s, site.end_s - DAY_S))
        columns["flow"][t > at] *= 1 + rng.normal(0, 0.025)
        site.life.append(Life("meter replaced", at, at + 3600))
    if rng.random() < 0.4:
        for role in ("outlet", "inlet", "flow"):
            if role in columns:
                hit = rng.integers(0, len(t), int(rng.integers(1, 6)))
                columns[role][hit] *= rng.choice([0.0, 0.3, 1.8, 3.0], len(hit))


def _missing(rng: Rng, site: Site, t: IntArray) -> BoolArray:
    """Rows that never came, shape (n,): scattered ones, gaps, restarts of the logger."""
    gone = rng.random(len(t)) < rng.choice([0, 0, 0.001, 0.01, 0.04])
    for _ in range(int(rng.poisson(2.5))):
        at = int(rng.integers(site.learn_from_s, site.end_s - 3600))
        lasts = int(log_uniform(rng, 120, 6 * 3600))
        gone |= (t > at) & (t <= at + lasts)
        if lasts > 1800:
            site.life.append(Life("gap", at, at + lasts + site.step_s, ("telemetry_loss",)))
    return np.asarray(gone)


def _reported(
    rng: Rng, site: Site, read: dict[Role, FloatArray], t: IntArray, missing: BoolArray
) -> tuple[int | None, Log]:
    """What arrived: by exception or every step, with bad values, thinned late rows, wrong clocks."""
    by_exception = rng.random() < 0.25
    heartbeat_s = int(rng.choice([1800, 3600, 4 * 3600, 6 * 3600])) if by_exception else None
    if heartbeat_s is not None:
        heartbeat_s = max(heartbeat_s, 2 * site.step_s)
    by_slope = rng.random() < 0.35
    stamps = t.copy()
    most = site.step_s // 3
    if rng.random() < 0.3:
        stamps = stamps - rng.integers(0, most + 1, len(t))
    if rng.random() < 0.15:
        stamps = stamps + int(rng.integers(-2 * site.step_s, 2 * site.step_s + 1))
    if rng.random() < 0.08:  # a clock that was wrong for a while and set right
        at = int(rng.integers(0, len(t) - 2))
        stamps[at : at + int(rng.integers(20, 2000))] -= most
    thinned = missing.copy()
    for _ in range(int(rng.poisson(0.7))):  # sent later from a store that kept every few rows only
        at = int(rng.integers(0, len(t) - 2))
        here = np.arange(at, min(len(t), at + int(rng.integers(5, 200))))
        thinned[here[here % int(rng.integers(2, 5)) != 0]] = True
    bursts = [
        (int(rng.integers(0, len(t) - 2)), int(rng.integers(1, 25))) for _ in range(int(rng.poisson(1.5)))
    ]
    log: Log = {}
    share = rng.uniform(0.002, 0.012)
    for role, values in read.items():
        seen = values.copy()
        if role != "command":
            for at, rows in bursts:
                if rng.random() < 0.7:
                    seen[at : at + rows] = np.nan
        keep = ~thinned & (stamps > site.learn_from_s - site.step_s) & (stamps <= site.end_s)
        times, seen = stamps[keep], seen[keep]
        rises = np.concatenate([[True], np.diff(np.maximum.accumulate(times)) > 0])
        times, seen = times[rises], seen[rises]
        if heartbeat_s is not None:
            band = share * (site.mean_lps * 4 if role == "flow" else site.usual_set)
            pick = (on_slope if by_slope else on_deadband)(times, seen, band, heartbeat_s)
            times, seen = times[pick], seen[pick]
        log[role] = (times, seen)
    return heartbeat_s, log


def _neighbour(rng: Rng, site: Site, event: Event | None, t: IntArray, every: int) -> Sent | None:
    """The other station's outlet, where it is known."""
    if event is not None and event.neighbour_kpa is not None:
        if rng.random() < 0.2:
            return None
        level = event.neighbour_kpa
    elif np.isfinite(site.drive.tie_kpa).mean() > 0.9 and rng.random() < 0.7:
        level = site.drive.tie_kpa
    elif rng.random() < 0.12:
        level = site.usual_set * rng.uniform(0.8, 1.05) + wander(
            rng, len(site.t), 7200 / site.dt_s, 0.01 * site.usual_set
        )
    else:
        return None
    seen = np.round(sampled(level, every, "instant"), 1)
    keep = rng.random(len(t)) > 0.01
    return t[keep], seen[keep]
