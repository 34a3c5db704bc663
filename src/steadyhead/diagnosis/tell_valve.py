"""What was seen of the valve: drift, creep, failure to open and to close, hunting, slow response."""

from __future__ import annotations

from steadyhead.conditions.drift import leans, may_be_step
from steadyhead.conditions.hunting import RESOLVED_SAMPLES, TOGETHER, UPSTREAM_CORRELATION
from steadyhead.conditions.scene.leaning import leaning
from steadyhead.conditions.set_changed import PINCHED
from steadyhead.diagnosis.phrases import duration_text, kv_text, percent
from steadyhead.diagnosis.seen import Seen, Telling
from steadyhead.engine import Change


def drift(s: Seen) -> Telling:
    """The outlet moved away slowly."""
    d_kpa = s.number("drift") * s.set_kpa
    past_s = s.change.at_s - float(s.change.held["since_s"])
    came = "at once" if may_be_step(s.change.scene, s.number("drift")) else "on gradually"
    moving = (
        "The valve still answers demand: it regulates, but to another pressure."
        if s.number("is_regulating") > 0
        else "Demand moved too little lately to prove that the valve still answers it."
    )
    return Telling(
        {"departure_kpa": d_kpa, "departure_share": d_kpa / s.set_kpa},
        (
            (
                f"While regulating, the outlet stands {s.of_set(d_kpa)} "
                f"{'above' if d_kpa > 0 else 'below'} what was learned for this flow, hour and inlet."
            ),
            (
                f"It came {came}, and for {duration_text(past_s)} it has been past this station's own "
                f"limit of {percent(s.profile.thresholds.drift_share)} of set."
            ),
            *_leaning(s),
            moving,
            "The log cannot tell a drifting transmitter from a drifting pilot: compare with a gauge first.",
        ),
        {"direction": "up" if d_kpa > 0 else "down"},
    )


def _leaning(s: Seen) -> tuple[str, ...]:
    """Whether the departure grows as demand opens the valve."""
    if not leans(s.change.scene):
        return ()
    share = leaning(s.change.scene)[0]
    return (
        (
            f"It goes with demand: a tenth more opening makes it {percent(0.1 * share)} larger, as where the "
            "pilot's water is throttled. A turned screw would shift every opening alike."
        ),
    )


def creep(s: Seen) -> Telling:
    """Shut, and the outlet rises."""
    way, lock = s.number("way"), s.profile.lock_up
    still = "no flow" if s.is_shut else "nobody drawing water"
    return Telling(
        {"way_share": way, "rise_kpa": s.number("outlet_kpa") - s.number("lock_kpa")},
        (
            (
                f"With {still} for {duration_text(closed_s(s.change))} the outlet stands at "
                f"{s.kpa(s.number('outlet_kpa'))}, where it locks up at {s.kpa(s.number('lock_kpa'))}: "
                f"{percent(way)} of the way to the inlet, which is at {s.kpa(s.number('inlet_kpa'))}."
            ),
            (
                f"In the {lock.closed_nights} closed periods learned from, it never stood higher than "
                f"{percent(lock.way_high)} of the way."
            ),
        ),
    )


def closed_s(change: Change) -> float:
    """How long nobody has drawn water; a leak that fills the district may show on the meter meanwhile."""
    return max(float(change.scene["zero_s"]), float(change.scene["shut_s"]))


def fails_to_open(s: Seen) -> Telling:
    """The outlet sags although the inlet is there."""
    evidence = [s.departure(), _left_to_work_with(s)]
    if s.is_shut:
        evidence.append("No water passes at all: the valve stays shut while the district is drawn empty.")
    elif s.has("flow_lps", "kv", "kv_need"):
        evidence.append(_opening(s))
        if s.number("flow_lps") < PINCHED * s.number("flow_usual_lps"):
            evidence.append(
                f"Only {s.lps(s.number('flow_lps'))} passes, where {s.lps(s.number('flow_usual_lps'))} is "
                "usual at this hour."
            )
    return Telling(_departure(s), (*evidence, *_stands_still(s)))


def fails_to_close(s: Seen) -> Telling:
    """The outlet follows the inlet."""
    evidence = [s.departure()]
    if s.has("inlet_kpa"):
        apart_kpa = s.number("inlet_kpa") - s.number("outlet_kpa")
        evidence.append(
            f"It stands {s.kpa(abs(apart_kpa))} {'below' if apart_kpa >= 0 else 'above'} the inlet, "
            f"{s.kpa(s.number('inlet_kpa'))}."
        )
    if not s.is_shut and s.has("flow_lps", "kv", "kv_need"):
        evidence.append(_opening(s))
    return Telling(_departure(s), (*evidence, *_stands_still(s)))


def _departure(s: Seen) -> dict[str, float]:
    gap_kpa = s.number("departure_kpa")
    return {"departure_kpa": gap_kpa, "departure_share": gap_kpa / s.set_kpa}


def _left_to_work_with(s: Seen) -> str:
    left_kpa = s.number("inlet_kpa") - s.number("expected_kpa")
    inlet = s.kpa(s.number("inlet_kpa"))
    return f"The inlet is high enough: {inlet}, {s.kpa(left_kpa)} above the pressure to hold."


def _opening(s: Seen) -> str:
    """How far the valve is open, against what this flow needs and what it has reached."""
    now, need, reached = s.number("kv"), s.number("kv_need"), s.profile.kv.reached_m3h
    return (
        f"The valve is open to {kv_text(now, s.units)}; to hold set at {s.lps(s.number('flow_lps'))} takes "
        f"{kv_text(need, s.units)}, and the most it has shown is {kv_text(reached, s.units)}."
    )


def _stands_still(s: Seen) -> tuple[str, ...]:
    if not s.number("is_fixed") > 0:
        return ()
    told = "As demand moves, the outlet gives way as it does behind an opening that stays the same"
    share = max(s.number("fixed"), s.number("fixed_now"))  # over a while, or from reading to reading
    return (f"{told}: that explains {percent(share)} of what was seen lately." if share > 0 else f"{told}.",)


def hunting(s: Seen) -> Telling:
    """The station swings by itself."""
    swing_kpa, period_s, step_s = float(s.change.held["size"]), s.number("period_s"), s.profile.step_s
    is_counted = float(s.change.held["kind"]) == 1.0
    magnitude = {"swing_kpa": swing_kpa, "swing_share": swing_kpa / s.set_kpa}
    reach = (
        f"A reading every {duration_text(step_s)} shows swings of {duration_text(RESOLVED_SAMPLES * step_s)} "
        "and longer as they are."
    )
    if is_counted:
        magnitude["period_s"] = period_s
        evidence = [
            (
                f"The outlet swings {s.of_set(swing_kpa)} peak to peak, once every "
                f"{duration_text(period_s)}, {s.number('cycles'):.0f} times in a row alike."
            ),
            reach,
        ]
    else:
        evidence = [
            (
                f"The outlet moves {s.number('move_kpa') / s.profile.scatter.move_kpa:.1f} times as much as "
                f"usual, as with a swing of {s.of_set(swing_kpa)} peak to peak."
            ),
            f"{reach} This one is faster, or not yet regular, so it was not counted: the evidence is weaker.",
        ]
    if s.profile.has_flow:
        evidence.append(_with_flow(s))
    if s.profile.has_inlet:
        evidence.append(_with_inlet(s))
    return Telling(magnitude, tuple(evidence), {"resolved": "yes" if is_counted else "no"})


def _with_flow(s: Seen) -> str:
    alike = s.number("with_flow")
    if alike < TOGETHER:
        return (
            f"At this sampling outlet and flow have little in common (correlation {alike:.2f}); so many like "
            "swings in a row are no chance."
        )
    return (
        f"Outlet and flow rise and fall together (correlation {alike:.2f}), as when the valve moves; a "
        "demand that changes would drive them apart."
    )


def _with_inlet(s: Seen) -> str:
    alike = s.number("with_inlet")
    if alike > UPSTREAM_CORRELATION:
        return f"The inlet moves along (correlation {alike:.2f}), but far less, so it does not lead."
    return f"It does not come with the inlet (correlation {alike:.2f})."


def slow(s: Seen) -> Telling:
    """The outlet strays further than it did, and comes back."""
    stray_kpa = s.number("slow_share") * s.set_kpa
    return Telling(
        {"stray_kpa": stray_kpa, "stray_share": stray_kpa / s.set_kpa},
        (
            (
                f"When demand changes by its usual {s.lps(s.profile.rhythm.change_lps)} in ten minutes, the "
                f"outlet now strays {s.of_set(stray_kpa)} before it comes back."
            ),
            (
                f"The limit for this station, from its own history, is "
                f"{percent(s.profile.thresholds.slow_share)} of set."
            ),
        ),
    )
