"""What is learned of a shut station."""

from __future__ import annotations

import numpy as np
import pytest

from steadyhead.profile.known import Known
from steadyhead.profile.learn import learn
from steadyhead.readings.frame import regular

DAY = 1440
SET_KPA = 400.0


@pytest.mark.parametrize(("over_set", "closed"), [(0.02, 1), (-0.07, 0)], ids=["above set", "below set"])
def test_a_station_without_flow_below_its_set_is_not_locked_up(over_set, closed):
    """A valve shuts at its set pressure or above; lower, something else holds the water back."""
    rng = np.random.default_rng(1)
    minute = np.arange(14 * DAY)
    flow = 10 + 4 * np.sin((minute % DAY / 60 - 9) / 24 * 2 * np.pi) + rng.normal(0, 0.2, len(minute))
    outlet = SET_KPA - 0.4 * (flow - 10) + rng.normal(0, 0.5, len(minute))
    still = slice(9 * DAY + 600, 9 * DAY + 640)
    flow[still] = 0.0
    outlet[still] = SET_KPA * (1.0 + over_set)
    inlet = 650 + rng.normal(0, 1.0, len(minute))
    learned = learn(regular("made_up", 0, 60, outlet, inlet_kpa=inlet, flow_lps=flow), Known()).lock_up
    assert learned.closed_nights == closed
    assert learned.rise_kpa == pytest.approx(8.0 if closed else 0.0, abs=0.1)
