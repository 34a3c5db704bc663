"""Was what looked like hunting a regular swing? Asked of the readings themselves, beside the engine's count.

Learning leaves hunting out of what is normal. What it says of that rests on a second measure of the same
stretch: the strongest period and its share of the movement (``stats.spectrum``), and Thornhill's regularity.
"""

from __future__ import annotations

import numpy as np

from steadyhead.readings.frame import Readings
from steadyhead.stats.spectrum import REGULAR_RATIO, autocorrelation, regularity, strongest_period

SAMPLES = 512  # 10 periods at 50 samples each; a periodogram of more takes memory that learning does not
LEAST_SAMPLES = 64
LEAST_PERIODS = 3.0  # of the longest period looked for
CHANCE = 0.001
LEAST_SHARE = 0.25  # of the movement


def swing_words(readings: Readings, from_s: float, to_s: float) -> str:
    """Whether the outlet swung regularly in a stretch of time, in few words; empty if too little is there.

    The middle of the stretch is looked at.
    """
    part = readings.between(int(from_s), int(to_s))
    middle = max(0, (len(part) - SAMPLES) // 2)
    outlet = part.outlet_kpa[middle : middle + SAMPLES]
    seen = np.isfinite(outlet)
    if seen.sum() < LEAST_SAMPLES or not np.ptp(outlet[seen]) > 0.0:
        return ""
    index = np.arange(len(outlet), dtype=np.float64)
    line = np.polynomial.Polynomial.fit(index[seen], outlet[seen], 3)  # demand moves the outlet slowly
    moved = outlet - line(index)
    peak = strongest_period(index[seen], moved[seen], 0.5, LEAST_PERIODS / len(outlet))
    if peak.chance > CHANCE or peak.power < LEAST_SHARE:
        return "no regular swing stands out at this sampling"
    period = readings.step_s * peak.period
    regular = regularity(autocorrelation(moved, int(min(len(outlet) // 2, 8 * peak.period))))
    steady = "not regular" if regular is None or regular.ratio <= REGULAR_RATIO else "regular"
    return f"a {steady} swing of {period:.3g} s holds {peak.power:.0%} of the movement"
