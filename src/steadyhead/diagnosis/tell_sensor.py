"""What was seen of a transmitter: which one, what is wrong with it, and how far off it is."""

from __future__ import annotations

from collections.abc import Callable

from steadyhead.conditions.sensor_fault import KIND_NAMES
from steadyhead.diagnosis.phrases import duration_text, times_text
from steadyhead.diagnosis.seen import Seen, Telling

Channel = str  # one of causes.TRAITS["channel"], or "" where two are at fault together
Part = tuple[Channel, dict[str, float], str]
"""Channel, magnitude and sentence of one kind of fault."""


def sensor(s: Seen) -> Telling:
    """A transmitter reports what water cannot do."""
    kind = KIND_NAMES[int(s.change.held["kind"])]
    channel, magnitude, sentence = KINDS[kind](s)
    traits = {"kind": kind.replace(" ", "_")}
    if channel:
        traits["channel"] = channel
    return Telling(magnitude, (sentence, *_now(s)), traits)


def _stuck(s: Seen) -> Part:
    still_s = {
        "outlet": s.number("still_outlet_s"),
        "inlet": s.number("still_inlet_s"),
        "flow": 0.0 if s.is_shut else s.number("still_flow_s"),  # no flow is one value by right
    }
    channel = max(still_s, key=lambda name: still_s[name])
    usual_s = s.profile.scatter.still_limit_s + s.profile.step_s
    name = "flow meter" if channel == "flow" else f"{channel} transmitter"
    sentence = (
        f"The {name} has reported one and the same value for {duration_text(still_s[channel])}; the longest "
        f"such run while learning was {duration_text(usual_s)}."
    )
    return channel, {f"{channel}_still_s": still_s[channel]}, sentence


def _spiking(s: Seen) -> Part:
    del s
    return "outlet", {}, "Single readings of the outlet jump away and come back at once, again and again."


def _out_of_range(s: Seen) -> Part:
    # a value that cannot be is taken out before judging, so the channel at fault is the one that is missing
    if not s.has("outlet_kpa") or not s.profile.has_inlet:
        channel = "outlet"
    else:
        channel = "" if s.has("inlet_kpa") else "inlet"
    return channel, {}, f"The {channel or 'outlet or the inlet'} reads what no distribution main can have."


def _swapped(s: Seen) -> Part:
    del s
    return "", {}, "Outlet and inlet read what the other usually does, as if they were exchanged."


def _scaled(s: Seen) -> Part:
    ratio = s.number("outlet_kpa") / s.number("expected_kpa")
    sentence = f"The outlet reads {times_text(ratio)} what it should, a factor between two pressure units."
    return "outlet", {"outlet_ratio": ratio}, sentence


def _inlet_scaled(s: Seen) -> Part:
    ratio = s.number("inlet_kpa") / s.profile.droop.inlet_kpa
    sentence = (
        f"The inlet reads {times_text(ratio)} what it should, a factor between two pressure units, while the "
        "outlet is held as ever."
    )
    return "inlet", {"inlet_ratio": ratio}, sentence


def _crossed(s: Seen) -> Part:
    apart_kpa = s.number("inlet_kpa") - s.number("outlet_kpa")
    sentence = (
        f"The inlet reads {s.kpa(abs(apart_kpa))} below the outlet while water flows, which no water does: "
        "one of the two is wrong."
    )
    return "", {"differential_kpa": apart_kpa}, sentence


def _meter_dead(s: Seen) -> Part:
    zero_s = s.number("zero_s")
    sentence = (
        f"The meter has read zero for {duration_text(zero_s)} at hours that always had flow, while the "
        "outlet is held as ever."
    )
    return "flow", {"zero_s": zero_s}, sentence


def _offset(s: Seen) -> Part:
    gap_kpa = s.number("departure_kpa")
    sentence = (
        f"The outlet jumped by {s.of_set(gap_kpa)}, further than a pilot is ever turned in one go, while the "
        "flow went on as usual."
    )
    return "outlet", {"departure_kpa": gap_kpa, "departure_share": gap_kpa / s.set_kpa}, sentence


KINDS: dict[str, Callable[[Seen], Part]] = {
    "stuck": _stuck,
    "spiking": _spiking,
    "out of range": _out_of_range,
    "swapped": _swapped,
    "scaled": _scaled,
    "crossed": _crossed,
    "meter dead": _meter_dead,
    "inlet scaled": _inlet_scaled,
    "offset": _offset,
}
"""By the names of ``conditions.sensor_fault.KIND_NAMES``."""


def _now(s: Seen) -> tuple[str, ...]:
    """What the log says beside what was learned, as far as there is a reading."""
    pairs = [
        ("outlet", s.number("outlet_kpa"), s.number("expected_kpa"), s.has("outlet_kpa", "expected_kpa")),
        ("inlet", s.number("inlet_kpa"), s.profile.droop.inlet_kpa, s.has("inlet_kpa")),
    ]
    said = [
        f"{name} {s.kpa(now_kpa)}, usually {s.kpa(usual_kpa)}"
        for name, now_kpa, usual_kpa, is_there in pairs
        if is_there
    ]
    return (f"Now in the log: {'; '.join(said)}.",) if said else ()
