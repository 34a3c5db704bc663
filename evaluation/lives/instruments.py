"""What transmitters, meters and loggers make of a station that is well."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from evaluation.case import DAY_S, Case
from evaluation.lives.changing import (
    chance,
    lost,
    manner,
    meter_cutoff,
    moment,
    reading,
    resolution,
    retimed,
)
from evaluation.lives.record import Expectation
from evaluation.lives.telling import chapter, say, silence
from steadyhead.config.model import Role
from steadyhead.types import FloatArray, IntArray

CHAPTER, life = chapter()
BROKEN, GONE = "sensor_fault", "telemetry_loss"


def _scaled(case: Case, role: Role, factor: float, begin: float, end: float = np.inf) -> Case:
    return reading(case, role, lambda t, v: np.where((t >= begin) & (t < end), v * factor, v))


@life("flow")
def the_meter_counts_in_another_unit(case: Case) -> tuple[Case, Expectation]:
    """A new logger sends m3/h where L/s were sent: every flow is 3.6 times as large from one row to the next.

    The outlet has not moved. A fault of the meter's reading, not a burst; within a day, and it stands.
    """
    begin = moment(case, 3, 11)
    return _scaled(case, "flow", 3.6, begin), say(BROKEN, at=begin, within_h=24, stands_to=case.end_s - 7200)


@life("flow")
def the_meter_dies(case: Case) -> tuple[Case, Expectation]:
    """The meter reads zero from one afternoon on, while the outlet goes on moving with the town's demand.

    A dead meter, within a day. Nothing has been shut.
    """
    begin = moment(case, 3, 15)
    return reading(case, "flow", lambda t, v: np.where(t >= begin, 0.0, v)), say(
        BROKEN, at=begin, within_h=24, stands_to=case.end_s - 7200
    )


@life("flow")
def the_meter_hangs(case: Case) -> tuple[Case, Expectation]:
    """The flow repeats one value for four days, to the last digit.

    A stuck meter, within a day, over when it moves again.
    """
    begin = moment(case, 3, 9)
    end = begin + 4 * DAY_S

    def hang(t: FloatArray, v: FloatArray) -> FloatArray:
        return np.where((t >= begin) & (t < end), v[np.searchsorted(t, begin)], v)

    return reading(case, "flow", hang), say(BROKEN, at=begin, within_h=24, over_by=end + DAY_S)


@life("flow")
def a_meter_that_reads_a_little_less(case: Case) -> tuple[Case, Expectation]:
    """The meter is replaced; the new one reads seven percent less at every flow. Silence, or a notice."""
    return _scaled(case, "flow", 0.93, moment(case, 3, 11)), silence()


@life("flow", "shut_nights")
def a_meter_that_sees_smaller_flows(case: Case) -> tuple[Case, Expectation]:
    """The new meter begins to count at a tenth of what the old one needed.

    Nights that read zero now show a trickle of dripping taps. It was always there. Silence.
    """
    begin, rng = moment(case, 3, 11), chance(case, "trickle")
    cutoff = meter_cutoff(case)

    def trickle(t: FloatArray, v: FloatArray) -> FloatArray:
        drips = np.round(cutoff * rng.uniform(0.15, 0.7, len(v)), 3)
        return np.where((t >= begin) & (v < cutoff), drips, v)

    return reading(case, "flow", trickle), silence()


@life()
def a_transmitter_is_zeroed(case: Case) -> tuple[Case, Expectation]:
    """At its yearly check the outlet transmitter is zeroed and reads 3 kPa less from then on. Silence."""
    begin = moment(case, 3, 10)
    return reading(case, "outlet", lambda t, v: np.where(t >= begin, v - 3.0, v)), silence()


@life()
def the_outlet_freezes_for_two_days(case: Case) -> tuple[Case, Expectation]:
    """The outlet repeats one value for two days, to the last digit, while all else lives.

    A stuck transmitter, within half a day, over when it moves again.
    """
    begin = moment(case, 3, 9)
    end = begin + 2 * DAY_S

    def freeze(t: FloatArray, v: FloatArray) -> FloatArray:
        return np.where((t >= begin) & (t < end), v[np.searchsorted(t, begin)], v)

    return reading(case, "outlet", freeze), say(
        BROKEN, at=begin, within_h=12, over_by=end + DAY_S, began_within_h=4
    )


@life()
def a_transmitter_drifts(case: Case) -> tuple[Case, Expectation]:
    """The outlet transmitter ages: it reads more and more, seven percent after ten days. Flow is unchanged.

    From the log alone drift is fair, a fault of the transmitter is better.
    """
    begin, rise = moment(case, 1, 0), 0.07 * manner(case).set_kpa

    def drift(t: FloatArray, v: FloatArray) -> FloatArray:
        step = resolution(v) or 0.01
        aged = v + rise * np.clip((t - begin) / (10 * DAY_S), 0, 1)
        return np.where(t >= begin, np.round(aged / step) * step, v)

    return reading(case, "outlet", drift), say("drift", BROKEN, at=begin + DAY_S, within_h=9 * 24)


@life()
def the_outlet_spikes(case: Case) -> tuple[Case, Expectation]:
    """A wet connector: some fifteen single values a day are off by a third or more, for a week.

    A fault of the transmitter, or a notice, within two days. The pressure itself was never there.
    """
    begin, end, rng = moment(case, 3, 9), moment(case, 10, 9), chance(case, "spikes")

    def spike(t: FloatArray, v: FloatArray) -> FloatArray:
        is_hit = (rng.random(len(v)) < 15 * case.step_s / DAY_S) & (t >= begin) & (t < end)
        return np.where(is_hit, v * (1 + rng.choice([-1.0, 0.7], len(v)) * rng.uniform(0.35, 0.9, len(v))), v)

    return reading(case, "outlet", spike), say(BROKEN, "notice", at=begin, within_h=48)


@life("flow")
def the_tags_are_swapped(case: Case) -> tuple[Case, Expectation]:
    """After work on the cabinet inlet and outlet have changed places in the log.

    A wiring fault, told within half a day, and it stands until it is put right. No valve opened wide.
    """
    begin = moment(case, 3, 14)
    inlet, outlet = case.log["inlet"], case.log["outlet"]

    def other(pair: tuple[IntArray, FloatArray]) -> FloatArray:
        good = np.isfinite(pair[1])
        return np.stack([pair[0][good].astype(np.float64), pair[1][good]])

    def swap(with_what: FloatArray, t: FloatArray, v: FloatArray) -> FloatArray:
        return np.where(t >= begin, np.interp(t, with_what[0], with_what[1]), v)

    changed = reading(case, "outlet", lambda t, v: swap(other(inlet), t, v))
    changed = reading(changed, "inlet", lambda t, v: swap(other(outlet), t, v))
    return changed, say(BROKEN, at=begin, within_h=12, stands_to=case.end_s - 7200)


@life()
def psi_are_sent_for_kpa(case: Case) -> tuple[Case, Expectation]:
    """A new gateway sends the outlet in psi: it reads a seventh of what it did, to the row.

    A fault of the reading, within half a day. No main is empty.
    """
    begin = moment(case, 3, 14)
    return _scaled(case, "outlet", 0.1450377, begin), say(
        BROKEN, at=begin, within_h=12, stands_to=case.end_s - 7200
    )


@life()
def the_inlet_falls_silent(case: Case) -> tuple[Case, Expectation]:
    """The inlet transmitter sends nothing any more, outlet and flow go on.

    A missing channel, told within two days as lost data or a fault of the instrument.
    """
    begin = moment(case, 3, 9)
    return lost(case, lambda t: t >= begin, ("inlet",)), say(GONE, BROKEN, "notice", at=begin, within_h=48)


# Loggers and links.


@life()
def nothing_comes_for_two_days(case: Case) -> tuple[Case, Expectation]:
    """The modem is dead for two days and nothing was stored.

    Lost telemetry, told within half a day, over soon after the first values come again.
    """
    begin = moment(case, 3, 13)
    end = begin + 2 * DAY_S
    return lost(case, lambda t: (t >= begin) & (t < end)), say(
        GONE, at=begin, within_h=12, stands_to=end - 7200, over_by=end + DAY_S, began_within_h=2
    )


@life()
def a_storm_breaks_the_link(case: Case) -> tuple[Case, Expectation]:
    """In a stormy night the link breaks ten times for some twenty minutes. What is missing is missing.

    Nobody has to go. Lost telemetry may be told once.
    """
    begin = moment(case, 4, 20)
    starts = begin + np.cumsum(chance(case, "storm").uniform(1500, 4500, 10))

    def gone(t: FloatArray) -> FloatArray:
        return np.any([(t >= s) & (t < s + 1200) for s in starts], axis=0)

    return lost(case, gone), silence(GONE)


@life()
def values_come_late_in_batches(case: Case) -> tuple[Case, Expectation]:
    """For three days the link holds values back for three hours and stamps them on arrival, in one lump.

    The log has holes of three hours with a few minutes of many values between. Lost telemetry at most.
    """
    begin, end = moment(case, 3, 0), moment(case, 6, 0)
    batch_s, every_s = 3 * 3600, 5

    def stamped(t: IntArray) -> IntArray:
        arrival = begin + ((t - begin) // batch_s + 1) * batch_s
        behind = (arrival - t) // case.step_s  # rows still to come in this lump
        return np.where((t >= begin) & (t < end), arrival - 1 - behind * every_s, t)

    return retimed(case, stamped), silence(GONE, most=24)


@life()
def the_clock_jumps_by_an_hour(case: Case) -> tuple[Case, Expectation]:
    """The logger takes the clock change twice: one hour is missing, and the rest is stamped an hour late.

    The morning peak seems to come an hour later. Silence; the missing hour may be told.
    """
    begin = moment(case, 4, 2)
    return retimed(case, lambda t: np.where(t >= begin, t + 3600, t)), silence(GONE)


@life()
def the_logger_is_replaced(case: Case) -> tuple[Case, Expectation]:
    """The new logger sends whole kPa and tenths of L/s, and is a little noisier than the old one.

    The station is the same. Silence.
    """
    begin, rng = moment(case, 3, 11), chance(case, "logger")

    def coarse(step: float) -> Callable[[FloatArray, FloatArray], FloatArray]:
        return lambda t, v: np.where(
            t >= begin, np.round((v + 0.5 * step * rng.standard_normal(len(v))) / step) * step, v
        )

    changed = reading(case, "outlet", coarse(1.0))
    changed = reading(changed, "inlet", coarse(1.0))
    if "flow" in case.log:
        changed = reading(changed, "flow", lambda t, v: np.where(t >= begin, np.round(v, 1), v))
    return changed, silence()


@life("each_two_minutes")
def the_logger_saves_its_battery(case: Case) -> tuple[Case, Expectation]:
    """To save its battery the logger is told to send every quarter of an hour from now on.

    Fewer values, the same station. Silence; lost telemetry may be told once.
    """
    begin = moment(case, 3, 11)
    return lost(case, lambda t: (t >= begin) & (t % 900 >= case.step_s)), silence(GONE)


@life()
def one_value_is_far_off(case: Case) -> tuple[Case, Expectation]:
    """Once, at night, the outlet reads four times its value in a single row. Silence."""
    begin = moment(case, 4, 3)

    def off(t: FloatArray, v: FloatArray) -> FloatArray:
        v[np.searchsorted(t, begin)] *= 4.0
        return v

    return reading(case, "outlet", off), silence()
