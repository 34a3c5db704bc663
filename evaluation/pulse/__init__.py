"""A world of one station at a time, solved as a row of steady states.

Physics: the inlet main loses head by Hazen-Williams (flow to the power 1.852); the valve passes by Kv = 36
Q/sqrt(dp) (Kv m3/h, Q L/s, dp kPa); the district draws a demand that goes partly with the root of pressure,
leaks through holes of which some widen with pressure (FAVAD: area A0 + m H), stores a little water by
stretching, and may have a second feed. Every time step (3 to 30 s) is solved for the flow at which all of
them agree. The valve is behavioural: the opening that would give the pilot's aim (set pressure, a droop with
flow, a rise at lock-up) is followed with a lag for opening and another for closing, a greatest speed, and a
band within which nothing moves. There are no waves.

Faults are changes of that behaviour: reference, droop, floor and ceiling of the opening, Kv past the shut
seat, lags, gain with dead time. Outlet and flow follow from the algebra.

Demand: hourly flow of a real branch main (the river package's WaterFlow) cut into blocks of days, put in
another order, bent in time and stretched, mixed with made-up rhythms: homes, shifts, tourists, irrigation,
tanks, hospitals, and small rural zones whose taps open one by one and whose nights are dead.

Numbers for sizes, droop, lock-up, lags and faults are common practice or from memory, no source; ranges are
wide on purpose.
"""

from __future__ import annotations

from collections.abc import Iterator

from evaluation.case import Case
from evaluation.pulse.make import make_case


def cases(n: int, seed: int) -> Iterator[Case]:
    """The first ``n`` cases of a seed; case i is the same whatever n is."""
    for i in range(n):
        yield make_case(i, seed)
