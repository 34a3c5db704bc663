"""What every figure of the report is: formula, unit, source, where it holds, and what counts as a change."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from steadyhead.weekly.model import Unit

Worse = Literal["high", "low", "away", "none"]
"""Which way is worse: higher, lower, further from zero, or neither."""


@dataclass(frozen=True, slots=True)
class Definition:
    """One figure.

    short : heading of its column; formula, validity : full sentences; source : where the formula is from
    floor : least change that is called one, in the working unit; floor_of_set : the same as a share of set,
        floor_of_before : as a share of the weeks before; the largest of the three counts
    in_fleet : whether it has a column on the fleet page
    """

    key: str
    name: str
    short: str
    unit: Unit
    formula: str
    source: str
    validity: str
    worse: Worse
    floor: float = 0.0
    floor_of_set: float = 0.0
    floor_of_before: float = 0.0
    in_fleet: bool = True


_OWN = "our own definition"
_LIST = (
    Definition(
        "departure_mean", "Departure from set, mean", "Off set, mean", "pressure",
        "Mean of |outlet - learned set of that hour| over regulating minutes: those with a reading, with flow, "
        "and with enough inlet for the last hour.",
        _OWN,
        "Droop is part of it, so a station with a strong droop has a larger figure without being faulty. Needs "
        "12 regulating hours.",
        "high", floor_of_set=0.01, floor_of_before=0.25,
    ),
    Definition(
        "departure_p95", "Departure from set, 95th percentile", "Off set, 95\N{NO-BREAK SPACE}%", "pressure",
        "The value that |outlet - learned set of that hour| stays below in 95 % of regulating minutes; linear "
        "between samples.",
        "quantile definition 7 of Hyndman and Fan 1996, as in numpy",
        "As the mean. One hour of upset a week is 0.6 % of it and hardly shows.",
        "high", floor_of_set=0.015, floor_of_before=0.25,
    ),
    Definition(
        "level", "Level against the learned outlet", "Level", "pressure",
        "Median of outlet minus what is expected at that hour, flow and inlet (learned set, droop and inlet "
        "effect), over regulating minutes. The trend and the forecast are of its daily values.",
        _OWN,
        "A transmitter that drifts looks the same; a check against a gauge tells. Needs 12 regulating hours.",
        "away", floor_of_set=0.01,
    ),
    Definition(
        "droop", "Droop over the usual range of flow", "Droop", "pressure",
        "Minus the slope of outlet (less set and inlet effect) against flow, from a robust line "
        "(Theil-Sen) through 30-minute means, times the learned range of usual flow from quietest to busiest "
        "hour.",
        "line: Sen 1968, as in scipy.stats.theilslopes",
        "Needs a meter, and flow that moves over a quarter of the learned range in the week. A straight line "
        "stands for a curve.",
        "high", floor_of_set=0.01, floor_of_before=0.3,
    ),
    Definition(
        "scatter", "Scatter about the hour's mean", "Scatter", "pressure",
        "1.4826 times the median absolute deviation of outlet minus expected, each hour's mean taken out, over "
        "regulating minutes.",
        "normal-consistent MAD; Huber, Robust Statistics",
        "Shows movement within the hour. Where values are reported on change, the deadband hides part of it.",
        "high", floor_of_set=0.004, floor_of_before=0.5,
    ),
    Definition(
        "hunting_hours", "Hours of hunting", "Hunting", "hours",
        "Hours of the week within an alert of hunting, from its estimated beginning to its end, none counted "
        "twice.",
        "alerts of this program",
        "At one-minute sampling most hydraulic hunting is too fast to be counted and shows as raised scatter; "
        "milder swings than the station's limit raise no alert.",
        "high", floor=2.0,
    ),
    Definition(
        "creep_way", "Creep while closed", "Creep", "share",
        "Over closed periods of 20 min or more, the largest share of the way from learned lock-up to inlet "
        "that the outlet has gone at their end (median of the last tenth).",
        _OWN,
        "Needs a meter, an inlet, a lock-up that was learned, and a week in which flow stopped. A neighbour "
        "that holds the district up looks alike.",
        "high", floor=0.02,
    ),
    Definition(
        "lock_up_rise", "Lock-up rise", "Lock-up", "pressure",
        "Median over closed periods of 20 min or more of the period's median outlet minus the learned set of "
        "that hour.",
        _OWN,
        "As for creep, but needs no inlet.",
        "high", floor_of_set=0.01,
    ),
    Definition(
        "kv_reserve", "Kv reserve at peak demand", "Kv reserve", "share",
        "1 - Kv / Kv of the open valve; Kv = 3.6 Q sqrt(100 / dp), Q in L/s, dp in kPa, the median over the "
        "2 % of minutes with the highest flow.",
        "IEC 60534-2-1, liquid, turbulent, not choked, relative density 1",
        "Only as good as the Kv of the open valve: from the registry, seen wide open, or estimated (then "
        "said). Choked flow shows a lower Kv than the opening.",
        "low", floor=0.05,
    ),
    Definition(
        "sigma_hours", "Hours below the cavitation limit", "Low sigma", "hours",
        "Hours with flow in which sigma = (P1 - Pv) / (P1 - P2), absolute pressures, lies below the stated "
        "limit. Water at 15 degrees C, air pressure of sea level.",
        "index: ISA-RP75.23-1995; Pv: IAPWS R7-97",
        "The limit belongs to the valve's design and is found by test: that of the registry (sigma_limit of the "
        "valve) or, without one, that on the first page; each station's is in its remark. At altitude sigma is lower. Without a meter hours without flow are counted too.",
        "high", floor=5.0,
    ),
    Definition(
        "inlet_share", "Inlet adequate", "Inlet", "share",
        "Share of minutes with readings in which inlet minus expected outlet is at least the minimum "
        "differential, and 1.25 times the loss of the open valve at that flow plus 2 % of set.",
        "loss: IEC 60534-2-1; margins are our own",
        "Needs an inlet and a profile. Says nothing about the valve.",
        "low", floor=0.02,
    ),
    Definition(
        "night_flow", "Minimum night flow", "Night flow", "flow",
        "Median over the nights of the mean flow from 02:00 to 04:00 on the station's clock.",
        "hours: common practice, no source",
        "Night use is part of it. Where the district has other feeds it is not the district's night flow. In "
        "the night the clock changes, the minutes that have these times are taken.",
        "high", floor_of_before=0.2, floor=0.1,
    ),
    Definition(
        "completeness", "Data completeness", "Data", "share",
        "Rows with a usable outlet over the rows that the elapsed part of the week has at the declared step; "
        "the hours of a clock change are counted as they were.",
        _OWN,
        "With reporting on change a value counts until the heartbeat has passed. Refused values count as "
        "missing.",
        "low", floor=0.02,
    ),
    Definition(
        "alerts_raised", "Alerts raised", "Alerts", "count",
        "Alerts of the station raised within the week.",
        "alerts of this program",
        "Held back alerts count too. From logs, alerts are those that a live run would have raised.",
        "high", floor=2.0,
    ),
    Definition(
        "alerts_standing", "Alerts standing at the end", "Standing", "count",
        "Alerts whose condition goes on at the end of the week.",
        "alerts of this program", "As for alerts raised. An alert goes on where readings end before it is over.", "high", floor=1.0, in_fleet=False,
    ),
    Definition(
        "time_to_acknowledge", "Time to acknowledge", "To acknow.", "duration",
        "Median over the alerts raised in the week of the time from raise to acknowledgement.",
        "IEC 62682 speaks of response; the median is our own",
        "Needs the database of a service. Alerts that nobody has acknowledged are not in it.",
        "high", floor=3600.0, floor_of_before=0.5, in_fleet=False,
    ),
    Definition(
        "time_to_clear", "Time to clear", "To clear", "duration",
        "Median over the alerts that ended in the week of the time from raise to end.",
        _OWN,
        "Alerts that go on are not in it, so a week of long troubles can look quick; read it beside the alerts "
        "that stand.",
        "high", floor=6 * 3600.0, floor_of_before=0.5, in_fleet=False,
    ),
)  # fmt: skip

DEFINITIONS: Mapping[str, Definition] = {one.key: one for one in _LIST}
"""All figures of a station, in the order in which they are shown."""


@dataclass(frozen=True, slots=True)
class Term:
    """Something else the report says: how it is worked out, and where it holds."""

    name: str
    formula: str
    validity: str


TERMS: tuple[Term, ...] = (
    Term(
        "Week",
        "ISO 8601 week, Monday 00:00 to Monday 00:00 on each station's own clock; 167 or 169 hours where the "
        "clock changes. A reading on the stroke of Monday 00:00 belongs to the week that begins.",
        "The week is marked as not complete if no station's readings reach its end.",
    ),
    Term(
        "Weeks before, and a change",
        "Each figure stands beside the mean of the up to four weeks before. It is called worse or better if it "
        "differs from that mean by more than twice their standard deviation and by more than a least amount, "
        "stated per figure in the table of figures (CSV, column least_change). While an alert stands at a station "
        "none of its figures is called better.",
        "Needs two weeks before. With four values the standard deviation is rough; the least amount keeps out "
        "changes nobody would act on (our own).",
    ),
    Term(
        "Profile",
        "What was learned of the station as normal, by the same formulas where the figure has a counterpart.",
        "A station without a profile has only the figures that need none.",
    ),
    Term(
        "Learned band",
        "Expected outlet plus and minus the larger of three times the learned scatter of a minute and the "
        "departure at which an alert opens.",
        "Chosen for a stated rate of false alerts on the station's own history.",
    ),
    Term(
        "Trend",
        "Least-squares line through daily median levels of up to five weeks, from the last set change or "
        "recorded repair on (statsmodels OLS); for days that resemble their neighbours the variance is raised by "
        "(1 + phi) / (1 - phi), phi their lag-one correlation, and Student's t has as many degrees less.",
        "Needs 10 days with 4 regulating hours. In simulated runs of 35 days the 95 % interval held the truth in "
        "91 to 95 %. A level that jumps or bends makes no straight line.",
    ),
    Term(
        "Forecast",
        "The day on which the trend line leaves the learned band. The interval is that in which the 95 % band "
        "of the line crosses the limit (Fieller's method); an open end means not within 26 weeks.",
        "Holds only if things go on as in the last weeks. It is given only where the slope's interval leaves "
        "zero out.",
    ),
    Term(
        "Control limits",
        "Mean of the daily levels of the weeks before, from the last set change or recorded repair on, plus and minus 2.66 times their mean moving range "
        "(Shewhart's chart of individuals; 2.66 = 3 / 1.128).",
        "Day follows day, so the limits are somewhat tight; they are drawn as a guide and raise nothing.",
    ),
    Term(
        "Oscillation map",
        "For each six hours, the largest amplitude of the outlet at periods in each of 24 steps, from the "
        "periodogram with a Hann window and a straight line taken out.",
        "Shows nothing faster than two readings. Amplitude of a lasting sine is right; of a short burst it is "
        "less.",
    ),
    Term(
        "Work list",
        "Standing alerts first, by priority and how sure; then stations that leave their band within four "
        "weeks; then figures that got worse without an alert, repairs that were not proved, and stations that "
        "cannot be judged.",
        "A proposal. Local rules, licensed people and what is known on the ground go first.",
    ),
    Term(
        "Less leakage",
        "1 - (P1 / P0)^N1 with N1 = 1, P0 the outlet now, P1 the outlet back at set.",
        "A guide: N1 lies between 0.5 and 1.5 (Water Loss Control, power law), the outlet stands for the "
        "pressure at the leaks, and real networks differ.",
    ),
    Term(
        "Alarm load",
        "Calls for a person per operator and 10 minutes, their peak, floods, alerts that stand for more than a "
        "day, chattering, and the split by priority, beside targets of ISA-18.2 and EEMUA 191 (from memory).",
        "The targets are for operators of process plant who answer within minutes; a week is short, the "
        "standards ask for 30 days. From logs every raise counts as a call.",
    ),
)
