"""A world of stations integrated in time: an opening that a pilot drives, a district that stores water.

Every two seconds the opening moves as fast as its chamber fills or empties, the flow follows from an
equal-percentage valve (IEC 60534-2-4: Kv = Kv100 R^(x - 1), R the rangeability), and the district's pressure
from what it stores: C dp/dt = inflow - demand (p/p0)^a - leakage (p/p0)^b, by linearly implicit Euler steps.
Demand is a sum of rectangular pulses that arrive at random (after Buchberger and Wu 1995, numbers from
memory). Faults change a part: the spring, the seat, a ceiling or a floor of the travel, the times of filling
and emptying, the gain and lag that make a limit cycle. Sizes are common practice or from memory, no source.
"""

from __future__ import annotations

from collections.abc import Iterator

from evaluation.case import Case
from evaluation.dynamic.make import make_case


def cases(n: int, seed: int) -> Iterator[Case]:
    """The first ``n`` cases of a seed; case i is the same whatever n is."""
    for i in range(n):
        yield make_case(i, seed)
