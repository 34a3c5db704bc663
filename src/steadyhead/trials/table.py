"""The table of point-by-point figures beside their targets, as text and as Markdown."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from steadyhead.trials.score import Rate, Scores, Share

Row = tuple[str, str, str, bool | None]
"""What, target, measured, whether the target is met (None: no target)."""


def _percent(share: Share) -> str:
    if not share.of:
        return "none"
    low, high = share.interval()
    return f"{100 * share.value:.1f} % ({share.hits}/{share.of}; {100 * low:.0f} to {100 * high:.0f})"


def _rate(rate: Rate) -> str:
    low, high = rate.interval()
    return f"{rate.per_year:.2f} ({rate.count} in {rate.years:.1f} years; {low:.2f} to {high:.2f})"


def _delay(ratio: float, delays_s: Sequence[float]) -> str:
    return f"{ratio:.2f} (median {_median(delays_s) / 60:.0f} min of {len(delays_s)})"


def _median(values: Sequence[float]) -> float:
    return float(np.median(values)) if values else math.nan


def rows(s: Scores) -> list[Row]:
    """The figures that have a target, in the order of the targets, then those that have none."""
    opening, hunting = _median(s.opening_delay_ratio), _median(s.hunting_delay_ratio)
    ece = s.calibration_error
    departure = _median(s.drift_departure)
    return [
        ("clear faults found", "98 %", _percent(s.clear_found), s.clear_found.value >= 0.98),
        ("clear faults named right", "95 %", _percent(s.clear_named), s.clear_named.value >= 0.95),
        ("mild faults found", "80 %", _percent(s.mild_found), s.mild_found.value >= 0.80),
        ("mild faults found, named right", "90 %", _percent(s.mild_named), s.mild_named.value >= 0.90),
        ("false alerts per station-year", "1", _rate(s.false_alerts), s.false_alerts.per_year <= 1.0),
        ("look-alikes called one of the four", "3 %", _percent(s.lookalikes_called),
         s.lookalikes_called.value <= 0.03),
        ("failure to open: median delay over what is allowed (15 min or 3 samples)", "1",
         _delay(opening, s.opening_delay_s), opening <= 1.0),
        ("hunting: median delay over what is allowed (10 periods or 6 samples)", "1",
         _delay(hunting, s.hunting_delay_s), hunting <= 1.0),
        ("creep raised in the first closed night past the mild limit", "all", _percent(s.creep_first_night),
         s.creep_first_night.value >= 1.0),
        ("drift: median departure when raised", "3 %", f"{100 * departure:.1f} % ({len(s.drift_departure)})",
         departure <= 0.03),
        ("macro F1 over all states", "0.95", f"{s.macro_f1:.3f}", s.macro_f1 >= 0.95),
        ("confidence: expected calibration error", "0.05", f"{ece:.3f}", ece <= 0.05),
        ("macro F1 if any name is right that the case had reached by then", "",
         f"{s.macro_f1_reached:.3f}", None),
        ("other states called one of the four", "", _percent(s.others_called), None),
        ("drifting transmitters (ambiguous) called drift or sensor fault", "",
         _percent(s.ambiguous_right), None),
    ]  # fmt: skip


def condition_rows(s: Scores) -> list[tuple[str, str, str, str, str]]:
    """Condition; clear found, clear named, mild found, mild named of those found."""
    return [(name, *(f"{x.hits}/{x.of}" for x in shares)) for name, shares in s.by_condition.items()]  # type: ignore[misc]


def summary(name: str, s: Scores) -> str:
    """The whole table as text for a terminal."""
    lines = [f"\n{name}: {s.n_cases} cases, {s.failed} could not be learned, {s.no_effect} without effect"]
    lines += [
        f"  {'ok ' if met else ('   ' if met is None else 'NO ')} {what:<72} {target:>5}  {measured}"
        for what, target, measured, met in rows(s)
    ]
    lines.append("  condition: clear found, named; mild found, named of those")
    lines += [f"    {name:<18} {a:>6} {b:>6} {c:>6} {d:>6}" for name, a, b, c, d in condition_rows(s)]
    lines.append(
        "  false alerts by name: " + (", ".join(f"{k} {v}" for k, v in s.false_names.items()) or "none")
    )
    lines.append("  F1: " + ", ".join(f"{k} {v:.2f}" for k, v in s.f1.items()))
    wrong = {pair: n for pair, n in s.confusion.items() if pair[0] != pair[1]}
    lines.append(
        "  true -> called: " + ("; ".join(f"{t} -> {c} {n}" for (t, c), n in wrong.items()) or "no mistakes")
    )
    lines.append("  confidence bins: " + "; ".join(
        f"{b.low:.1f}-{b.high:.1f}: {b.count} at {b.confidence:.2f}, right {b.right:.2f}"
        for b in s.bins))  # fmt: skip
    return "\n".join(lines)
