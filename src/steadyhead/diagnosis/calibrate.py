"""How sure: the chance that the name given is the right one.

The chance is counted, not felt: of the first alerts of each name in the development cases of the proving
plant, how many were right. ``confidence.json`` holds those counts; ``python -m steadyhead.trials.confidence``
counts them anew after runs of the sets that thresholds may see. The evaluation cases have no part in it.
"""

from __future__ import annotations

import json
from functools import cache
from importlib.resources import files

from steadyhead.engine import Change
from steadyhead.profile.model import Profile

PRIOR_RIGHT = 0.8  # what is believed of a name that was never counted
PRIOR_WEIGHT = (
    10.0  # alerts that this belief counts for; thresholds were chosen on the counted cases, which flatters
)


@cache
def counted() -> dict[str, tuple[int, int]]:
    """By condition: alerts that named it first and were right, and all that did."""
    text = files("steadyhead.diagnosis").joinpath("confidence.json").read_text(encoding="utf-8")
    return {name: (int(right), int(n)) for name, (right, n) in json.loads(text)["counted"].items()}


def chance(right: int, n: int) -> float:
    """Chance of being right after ``right`` of ``n``: the posterior mean under the prior above."""
    return (right + PRIOR_RIGHT * PRIOR_WEIGHT) / (n + PRIOR_WEIGHT)


def confidence_of(change: Change, profile: Profile) -> float:
    """Chance, 0 to 1, that the condition raised is the right name."""
    del profile  # counts by station type would need more cases than there are
    return chance(*counted().get(change.condition, (0, 0)))
