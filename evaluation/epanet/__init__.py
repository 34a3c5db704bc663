"""A world of stations inside published network models: every pressure and flow comes out of EPANET.

A pipe that is the only feed of a part of a published network (wntr carries them) is cut and a PRV put in.
EPANET solves the network, demands driven by pressure, for a grid of valve settings, demands and heads of the
supply; a station's life is a walk over that grid. A fault is a setting that moves, a loss that holds the
valve below its setting, or water that passes a shut seat; for the latter two the setting is found at which
the losses agree. Swings and waves are faster than EPANET's steady states: they are setting or supply moved to
and fro.
"""

from __future__ import annotations

from collections.abc import Iterator

from evaluation.case import Case
from evaluation.epanet.make import make_case


def cases(n: int, seed: int) -> Iterator[Case]:
    """The first ``n`` cases of a seed; case i is the same whatever n is."""
    for i in range(n):
        yield make_case(i, seed)
