"""The page that shows what was measured, in Markdown."""

from __future__ import annotations

from typing import TYPE_CHECKING

from steadyhead.trials import score as score_module
from steadyhead.trials.plan import slots
from steadyhead.trials.ranges import SETS
from steadyhead.trials.table import condition_rows, rows

if TYPE_CHECKING:
    from steadyhead.trials.evaluate import Measured, Noticed

BY_HAND = "## What falls short"
SEVERITIES = """\
| condition | mild | clear |
|---|---|---|
| drift | outlet off by 2 to 5 % of set | 5 % or more |
| hunting | 3 to 10 % of set peak to peak | 10 % or more |
| failure to open | sag of 5 to 15 % of set | 15 % for 30 min |
| creep | 8 to 25 % of the way from lock-up to inlet in a closed night | 25 % or more |
| failure to close | rise of 5 to 15 % of set with flow | 15 % or more |
| slow response | passing departures of 3 to 8 % of set | 8 % or more |
"""

SETS_TEXT = """\
Thresholds were chosen on all sets but the last. Those between the first and the last were the evaluation sets
of earlier measurements; once its results have been looked at a set can judge no longer, so they joined the
development side. The evaluation set comes from other seeds and other parameter ranges, mostly wider than
those of development (`src/steadyhead/trials/ranges.py`); no threshold had seen it when it was first measured,
and what came after is told under “What falls short”. Cases are made by the proving plant by degrading parts,
and their truth is measured against a twin run without the fault. All data are simulated: no open log of a
real station with labels was found.\
"""
NOT_DRAWN_TEXT = """\
A case is drawn until it turns out as planned: a healthy station has to hold its set and not hunt, a fault has
to reach the severity wanted. A slot that nothing drawn could fill stays empty (mild failure to close in the
development set); the widened set was closed before every slot was tried, in an order that mixes kinds.\
"""
MEASURED_TEXT = """\
Shares with counts and 95 % interval (exact binomial); rates with exact Poisson interval. A figure that misses
its target is in bold. Confidence is counted on the other sets (`trials/confidence.py`), so its
calibration there is in sample.\
"""
BASELINES_TEXT = """\
The same cases, causally, with the same rule for one episode, each at the smallest margin that keeps its false
alerts on the development set at or below Steadyhead's own. They name nothing, so only noticing is compared;
Steadyhead's names are ignored here too. Delay is the median from the effect passing its mild limit; negative
means before it. Limits and percentiles are what users have; the others are general-purpose detectors:
isolation forest (scikit-learn), ECOD (PyOD), half-space trees (river), level shift (ADTK), matrix profile
(STUMPY). How each works: `src/steadyhead/trials/baselines.py` and `general.py`.\
"""
BASELINES_HEAD = (
    "| | clear found | mild found | false alerts per station-year | median delay "
    "| look-alikes alarmed | margin |"
)
LEFT_OUT_TEXT = """\
What the sets leave out, because telemetry cannot show it: hunting and slow response in logs of averages or
with a reporting deadband; slow response at more than 60 s; creep without a meter or without an inlet
pressure; a spring that jumps (a hand on the screw looks the same); transmitter offsets below 25 % of set (a
set change looks the same).\
"""


def by_hand(text: str) -> str:
    """The part of an older page that a person wrote; empty if there is none."""
    return text[text.index(BY_HAND) :] if BY_HAND in text else ""


def page(measured: list[Measured], facts: dict[str, str], kept: str = "") -> str:
    """The whole page; every figure in it comes from the run that wrote it.

    kept : what a person wrote below, see ``by_hand``
    """
    parts = [
        "# How good detection is",
        "",
        "Written by `make evaluate` (`python -m steadyhead.trials evaluate`).",
        f"Edit nothing above “{BY_HAND[3:]}”: the next run writes it anew.",
        "",
        f"Run on {facts['date']}, plant {facts['plant']}, {facts['versions']}.",
        "",
    ]
    parts += _sets(measured, facts)
    parts += _headline(measured)
    parts += _baselines(measured)
    for m in measured:
        parts += _details(m)
    parts += _definitions()
    return "\n".join([*parts, kept])


def _sets(measured: list[Measured], facts: dict[str, str]) -> list[str]:
    lines = [
        "## The sets",
        "",
        SETS_TEXT,
        "",
        "| set | size | healthy | look-alikes | faults | other states | root seed |",
        "|---|---|---|---|---|---|---|",
    ]
    for m in measured:
        count = {g: sum(c.group == g for c in m.cases) for g in ("healthy", "lookalike", "fault", "other")}
        lines.append(
            f"| {m.name} | {facts[f'{m.name} size']} | {count['healthy']} | {count['lookalike']} "
            f"| {count['fault']} | {count['other']} | {SETS[m.name].seed} |"
        )
    planned = ", ".join(f"{len(m.cases)} of {len(slots())} ({m.name})" for m in measured)
    lines += ["", f"Of the cases planned were drawn {planned}. {NOT_DRAWN_TEXT}"]
    intervals = sorted({c.interval_s for m in measured for c in m.cases})
    lines += [
        "",
        "Cases by sampling interval:",
        "",
        "| set | " + " | ".join(f"{i} s" for i in intervals) + " |",
    ]
    lines.append("|---" * (len(intervals) + 1) + "|")
    for m in measured:
        own = [str(sum(c.interval_s == i for c in m.cases)) for i in intervals]
        lines.append(f"| {m.name} | " + " | ".join(own) + " |")
    return [*lines, "", "Severity is by effect:", "", SEVERITIES]


def _headline(measured: list[Measured]) -> list[str]:
    tables = [rows(m.scores) for m in measured]
    lines = [
        "## Measured",
        "",
        MEASURED_TEXT,
        "",
        "| | target | " + " | ".join(m.name for m in measured) + " |",
        "|---" * (2 + len(measured)) + "|",
    ]
    for together in zip(*tables, strict=True):
        what, target = together[0][0], together[0][1]
        shown = [text if met is not False else f"**{text}**" for _, _, text, met in together]
        lines.append(f"| {what} | {target} | " + " | ".join(shown) + " |")
    return [*lines, ""]


def _baselines(measured: list[Measured]) -> list[str]:
    lines = [
        "## Beside it: what users have, or could take instead",
        "",
        BASELINES_TEXT,
        "",
    ]
    for m in measured:
        lines += [
            f"{m.name.capitalize()} set:",
            "",
            BASELINES_HEAD,
            "|---|---|---|---|---|---|---|",
            *(_noticed_row(n) for n in m.noticed),
            "",
        ]
    return lines


def _noticed_row(n: Noticed) -> str:
    def share(hits: int, of: int) -> str:
        return f"{100 * hits / of:.0f} % ({hits}/{of})" if of else "none"

    if n.why_absent:
        return f"| {n.name} | {n.why_absent} | | | | | |"
    margin = "" if n.margin != n.margin else f"{n.margin:.3g}"  # NaN: none of its own
    return (
        f"| {n.name} | {share(n.clear.hits, n.clear.of)} | {share(n.mild.hits, n.mild.of)} "
        f"| {n.false_alerts.per_year:.2f} | {n.delay_h:.2f} h | {share(n.lookalikes.hits, n.lookalikes.of)} "
        f"| {margin} |"
    )


def _details(m: Measured) -> list[str]:
    s = m.scores
    return [
        f"## Details, {m.name} set",
        "",
        "| condition | clear found | clear named | mild found | mild named, of those |",
        "|---|---|---|---|---|",
        *("| " + " | ".join((name.replace("_", " "), *rest)) + " |" for name, *rest in condition_rows(s)),
        "",
        f"Could not be learned: {s.failed}. Without effect: {s.no_effect}. False alerts by name: "
        + (", ".join(f"{k.replace('_', ' ')} {v}" for k, v in s.false_names.items()) or "none")
        + ".",
        "",
        "F1 by state: " + ", ".join(f"{k.replace('_', ' ')} {v:.2f}" for k, v in s.f1.items()) + ".",
        "",
        "Mistakes, true state and the first alert's name:",
        "",
        "| true | called | cases |",
        "|---|---|---|",
        *(
            f"| {t.replace('_', ' ')} | {c.replace('_', ' ')} | {n} |"
            for (t, c), n in s.confusion.items()
            if t != c
        ),
        "",
        "Reliability of confidence, first alerts:",
        "",
        "| confidence | alerts | mean confidence | share right |",
        "|---|---|---|---|",
        *(
            f"| {b.low:.1f} to {b.high:.1f} | {b.count} | {b.confidence:.2f} | {b.right:.2f} |"
            for b in s.bins
        ),
        "",
    ]


def _definitions() -> list[str]:
    text = (score_module.__doc__ or "").split("Definitions:", 1)[1].strip()
    return ["## Definitions", "", text, "", *_limits()]


def _limits() -> list[str]:
    return [
        LEFT_OUT_TEXT,
        "",
    ]
