"""What was seen of what only resembles a fault of the valve."""

from __future__ import annotations

from steadyhead.conditions.unfamiliar import FED, FILLED
from steadyhead.diagnosis.phrases import duration_text, percent
from steadyhead.diagnosis.seen import Seen, Telling

# In the order of profile.novelty.NAMES.
FEATURES = (
    "the outlet for this flow",
    "the restlessness of the outlet",
    "the flow for the hour",
    "the inlet",
    "the opening of the valve for this flow",
)


def set_changed(s: Seen) -> Telling:
    """The outlet stepped and stays."""
    step_kpa = s.number("fast") * s.set_kpa
    if s.is_shut:
        gap_kpa = s.number("outlet_kpa") - s.number("lock_kpa")
        seen = (
            (
                f"No flow for {duration_text(s.number('zero_s'))}, although the outlet, "
                f"{s.kpa(s.number('outlet_kpa'))}, is {s.kpa(abs(gap_kpa))} below the pressure at which the "
                "station used to shut."
            ),
            "So its set pressure is lower now, and the district has not come down to it yet.",
        )
    else:
        way = "up" if step_kpa > 0 else "down"
        seen = (
            f"The outlet stepped {way} by {s.of_set(step_kpa)} and has been held there since.",
            "It is held as well as before, which points to a hand on the pilot or a new schedule.",
        )
    return Telling(
        {"step_kpa": step_kpa, "step_share": step_kpa / s.set_kpa},
        (*seen, "A transmitter that jumped would look the same in the log."),
        {"direction": "up" if step_kpa > 0 else "down"},
    )


def starved(s: Seen) -> Telling:
    """The inlet is short."""
    over_kpa = s.number("inlet_kpa") - s.number("expected_kpa")
    side = "above" if over_kpa > 0 else "below"
    least_kpa = s.profile.kv.min_differential_kpa
    needs = f"; to regulate, the valve needs about {s.kpa(least_kpa)}" if 0 < over_kpa < least_kpa else ""
    return Telling(
        {
            "departure_kpa": s.number("departure_kpa"),
            "differential_kpa": s.number("inlet_kpa") - s.number("outlet_kpa"),
        },
        (
            (
                f"The inlet, {s.kpa(s.number('inlet_kpa'))}, is {s.kpa(abs(over_kpa))} {side} the "
                f"{s.kpa(s.number('expected_kpa'))} to hold at the outlet{needs}."
            ),
            s.departure(),
            "So the supply is short; of the valve nothing can be said until the inlet is back.",
        ),
    )


def excess(s: Seen) -> Telling:
    """Far more flow than ever."""
    flow_lps, usual_lps = s.number("flow_lps"), s.number("flow_usual_lps")
    return Telling(
        {"flow_over_lps": flow_lps - usual_lps, "flow_lps": flow_lps},
        (
            (
                f"Flow {s.lps(flow_lps)}, where {s.lps(usual_lps)} is usual at this hour and 98 % of such "
                f"hours stay below {s.lps(s.number('flow_high_lps'))}."
            ),
            f"While learning it was hardly ever above {s.lps(s.profile.rhythm.highest_lps)}, at any hour.",
        ),
    )


def telemetry(s: Seen) -> Telling:
    """Nothing arrives."""
    silence_s = s.number("missing_s")
    return Telling(
        {"silent_s": silence_s},
        (f"No outlet pressure for {duration_text(silence_s)}; nothing is judged until one comes in.",),
    )


def held_shut(s: Seen) -> Telling:
    """Another feed holds the district higher."""
    shut = duration_text(s.number("zero_s"))
    return Telling(
        {"departure_kpa": s.number("departure_kpa")},
        (
            f"No flow for {shut}, with the outlet above what this station holds.",
            s.departure(),
            _neighbour(s),
        ),
    )


def _neighbour(s: Seen) -> str:
    if not s.has("neighbour_kpa"):
        return "No neighbour is logged in this zone, so which feed holds it is not known."
    near_kpa = s.number("neighbour_kpa")
    gap_kpa = near_kpa - s.number("outlet_kpa")
    where = (
        "level with this one"
        if s.kpa(abs(gap_kpa)) == s.kpa(0.0)
        else f"{s.kpa(abs(gap_kpa))} {'above' if gap_kpa > 0 else 'below'} this one"
    )
    return f"The highest other outlet of the zone stands at {s.kpa(near_kpa)}, {where}."


def unfamiliar(s: Seen) -> Telling:
    """Like no hour that was learned, or fed from elsewhere, while shut or at work."""
    kind = float(s.change.held["kind"])
    if kind in (FILLED, FED):
        return _filled(s) if kind == FILLED else _fed(s)
    novelty = s.profile.novelty
    stands_out = ""
    if novelty is not None:
        spreads = [
            abs(float(mean) - center) / scale
            for mean, center, scale in zip(
                s.change.scene["h_mean"], novelty.center, novelty.scale, strict=True
            )
        ]
        most, second = sorted(range(len(spreads)), key=lambda i: -spreads[i])[:2]
        stands_out = f"; what stands out is {FEATURES[most]}, then {FEATURES[second]}"
    hours = f"{s.number('novel_hours'):.0f} hours"
    return Telling(
        {"distance_ratio": s.number("novel")},
        (
            f"For {hours} the station has been unlike all hours learned{stands_out}.",
            "No condition that has a name here fits.",
        ),
        {"fed": "as_ever"},
    )


def _filled(s: Seen) -> Telling:
    """The district fills, and not through this valve."""
    # As long as it fills; afterwards the outlet is wherever demand takes it.
    way = float(s.change.held["size"])
    seen = (
        f"With the station shut and its meter at rest, the outlet went {percent(way)} of the way from "
        f"lock-up, {s.kpa(s.number('lock_kpa'))}, to the inlet."
    )
    so = (
        "It rose faster than water past the seat could lift it unseen by the meter, or at hours that always "
        "had flow: the district is fed past this valve."
    )
    return Telling({"way_share": way}, (seen, so), {"fed": "elsewhere"})


def _fed(s: Seen) -> Telling:
    """Flow is missing, by day and by night alike."""
    missing_lps = float(s.change.held["size"])
    mean_lps = s.profile.rhythm.daily_mean_lps
    share = f", {percent(missing_lps / mean_lps)} of the mean" if mean_lps > 0 else ""
    seen = (
        f"For a day about {s.lps(missing_lps)} less than usual has passed{share}, by night as much as by "
        "day, while the outlet is held."
    )
    so = (
        "People who draw less draw less in proportion. The same amount at every hour means that the district "
        "is fed past this valve, or that a leak of that size has ended."
    )
    return Telling({"flow_missing_lps": missing_lps}, (seen, so), {"fed": "elsewhere"})
