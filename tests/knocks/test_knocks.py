"""A short round of hard knocks; ``python -m tests.knocks`` runs them for hours.

STEADYHEAD_KNOCKS_MINUTES and STEADYHEAD_KNOCKS_SEED make this one longer, or draw other faults.
"""

from __future__ import annotations

import os
from pathlib import Path

from .faults import KINDS
from .rounds import Plan, run


def test_whatever_is_killed_filled_or_set_alerts_and_readings_are_those_of_an_undisturbed_run(tmp_path: Path):
    minutes = float(os.environ.get("STEADYHEAD_KNOCKS_MINUTES", "0"))
    seed = int(os.environ.get("STEADYHEAD_KNOCKS_SEED", "1"))
    totals = run(Plan(minutes, seed, len(KINDS), days=4), tmp_path, print)
    assert totals.gone == 0
    assert {kind for kind, n in totals.done.items() if n} >= set(KINDS)
    assert totals.starts > totals.rounds
    assert totals.alerts >= 6 * totals.rounds
