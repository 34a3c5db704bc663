"""Pictures that are not over the week's time: droop, closed nights, flow coefficient."""

from __future__ import annotations

import numpy as np

from steadyhead.hydraulics import effective_kv
from steadyhead.units import KV_PER_CV
from steadyhead.weekly.families.closed import closed_periods
from steadyhead.weekly.families.droop import means
from steadyhead.weekly.families.kv_reserve import UNKNOWN_ABOVE
from steadyhead.weekly.look import Look
from steadyhead.weekly.pictures.base import BEFORE, LEARNED, OUTLET, RAISED, RIGHT, Picture, picked
from steadyhead.weekly.pictures.svg import Board, Panel, legend, room_for, round_ticks
from steadyhead.weekly.words import Words

HALF, HEIGHT, TOP, FOOT = 352.0, 250.0, 40.0, 40.0
LEFT = 52.0
MOST_BEFORE, MOST_NOW = 900, 672
MOST_NIGHTS = 60
LEAST_DROP_KPA = 1.0


def droop_view(all_weeks: Look, this: Look, words: Words) -> Picture | None:
    """Outlet less set against flow, 30-minute means: the week over the four before, and the learned curve."""
    profile = this.profile
    if profile is None or not profile.has_flow or not this.has_flow:
        return None
    units = words.units
    now = means(this, profile)
    earlier = means(all_weeks.between(all_weeks.from_s, this.from_s), profile)
    board = Board(HALF, HEIGHT)
    flow_now, flow_then = (units.flow_from_lps(one[0]) for one in (now, earlier))
    off_now, off_then = (units.pressure_from_kpa(one[1]) for one in (now, earlier))
    if not np.isfinite(flow_now).any():
        return None
    low, high = room_for(off_now, off_then, least=float(units.pressure_from_kpa(4.0)))
    x_high = room_for(flow_now, flow_then, zero=True)[1]
    panel = Panel(board, LEFT, TOP, HALF - LEFT - 14, HEIGHT - TOP - FOOT, 0.0, x_high, low, high)
    panel.axes(round_ticks(0.0, x_high), f"Outlet less set, {units.pressure}", f"flow, {units.flow}")
    keep = picked(len(flow_then), MOST_BEFORE)
    panel.dots(flow_then[keep], off_then[keep], BEFORE, 2.2)
    keep = picked(len(flow_now), MOST_NOW)
    panel.dots(flow_now[keep], off_now[keep], OUTLET, 2.4)
    panel.curve(
        units.flow_from_lps(np.asarray(profile.droop.flow_lps)),
        units.pressure_from_kpa(np.asarray(profile.droop.offset_kpa)), LEARNED, 2.0, "5 3",
    )  # fmt: skip
    legend(
        board, LEFT, 12, [("dot", OUTLET, "week"), ("dot", BEFORE, "before"), ("dash", LEARNED, "learned")]
    )
    said = (
        "Outlet less its set against flow: dots of the week over those of the four weeks before, and the "
        "learned curve."
    )
    return Picture(
        "droop",
        "Droop",
        "30-minute means while regulating; inlet effect taken out.",
        said,
        board.svg(said),
        is_wide=False,
    )


def closed_view(all_weeks: Look, this: Look, words: Words) -> Picture | None:
    """Closed periods laid over each other from the minute the flow stopped."""
    profile = this.profile
    if profile is None or not profile.has_flow or not this.has_flow:
        return None
    units = words.units
    periods = closed_periods(all_weeks)[-MOST_NIGHTS:]
    if not any(all_weeks.times_s[p.first] >= this.from_s for p in periods):
        return None
    hours = max(p.last - p.first for p in periods) * all_weeks.hours
    rises = units.pressure_from_kpa(all_weeks.outlet_kpa - all_weeks.set_kpa)
    learned = (
        float(units.pressure_from_kpa(profile.lock_up.rise_kpa)) if profile.lock_up.closed_nights else None
    )
    shown = np.concatenate([rises[p.first : p.last] for p in periods])
    low, high = room_for(shown, levels=[learned], least=float(units.pressure_from_kpa(10.0)))
    board = Board(HALF, HEIGHT)
    panel = Panel(board, LEFT, TOP, HALF - LEFT - 14, HEIGHT - TOP - FOOT, 0.0, hours, low, high)
    panel.axes(round_ticks(0.0, hours), f"Outlet less set, {units.pressure}", "hours since the flow stopped")
    for is_now in (False, True):
        for p in periods:
            if bool(all_weeks.times_s[p.first] >= this.from_s) != is_now:
                continue
            keep = p.first + picked(p.last - p.first, 160)
            panel.curve(
                (keep - p.first) * all_weeks.hours, rises[keep], OUTLET if is_now else BEFORE,
                1.3 if is_now else 0.9,
            )  # fmt: skip
    if learned is not None:
        panel.level(learned, LEARNED)
    n = sum(all_weeks.times_s[p.first] >= this.from_s for p in periods)
    entries = [("line", OUTLET, "week"), ("line", BEFORE, "before")]
    if learned is not None:
        entries.append(("dash", LEARNED, "learned lock-up"))
    legend(board, LEFT, 12, entries)
    said = (
        f"{n} closed periods of the week over {len(periods) - n} of the weeks before: outlet less set by "
        "hours since the flow stopped."
    )
    return Picture(
        "closed",
        "While nobody draws water",
        "A rise that goes on is creep; a level one is lock-up.",
        said,
        board.svg(said),
        is_wide=False,
    )


def kv_view(all_weeks: Look, this: Look, words: Words) -> Picture | None:
    """Effective flow coefficient against flow, with what was learned and the open valve."""
    profile = this.profile
    if profile is None or not this.has_flow or not this.has_inlet:
        return None
    units = words.units
    is_cv = units.pressure == "psi"
    name, scale = ("Cv", 1.0 / KV_PER_CV) if is_cv else ("Kv", 1.0)

    def points(look: Look, most: int) -> tuple[np.ndarray, np.ndarray]:
        drop = look.inlet_kpa - look.outlet_kpa
        rows = np.flatnonzero(np.isfinite(look.flow_lps) & (drop > LEAST_DROP_KPA) & ~look.shut)
        rows = rows[picked(rows.size, most)]
        kv = effective_kv(look.flow_lps[rows], look.inlet_kpa[rows], look.outlet_kpa[rows])
        return np.asarray(units.flow_from_lps(look.flow_lps[rows])), scale * kv

    now, then = points(this, MOST_NOW), points(all_weeks.between(all_weeks.from_s, this.from_s), MOST_BEFORE)
    if not now[0].size:
        return None
    full = scale * profile.kv.full_m3h if profile.kv.full_m3h < UNKNOWN_ABOVE else None
    reached = scale * profile.kv.reached_m3h
    high = room_for(now[1], then[1], levels=[full, reached], zero=True)[1]
    x_high = room_for(now[0], then[0], zero=True)[1]
    board = Board(HALF, HEIGHT)
    panel = Panel(board, LEFT, TOP, HALF - LEFT - RIGHT + 20, HEIGHT - TOP - FOOT, 0.0, x_high, 0.0, high)
    panel.axes(round_ticks(0.0, x_high), f"{name} shown", f"flow, {units.flow}")
    panel.dots(*then, BEFORE, 2.2)
    panel.dots(*now, OUTLET, 2.4)
    if full is not None:
        source = "open (est.)" if profile.kv.full_source == "estimated" else "open valve"
        panel.level(full, RAISED, source)
    if reached > 0.0 and (full is None or abs(full - reached) > 0.07 * high):
        panel.level(reached, LEARNED, "most learned")
    legend(board, LEFT, 12, [("dot", OUTLET, "week"), ("dot", BEFORE, "before")])
    said = (
        f"Flow coefficient {name} that the station showed against flow, with the highest that was learned "
        "and that of the open valve."
    )
    return Picture(
        "kv",
        f"{name} envelope",
        "The gap to the open valve is the reserve.",
        said,
        board.svg(said),
        is_wide=False,
    )
