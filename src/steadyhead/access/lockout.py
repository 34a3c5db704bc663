"""How long an account waits after failed sign-ins."""

from __future__ import annotations

FREE_TRIES = 4
FIRST_WAIT_S = 30
LONGEST_WAIT_S = 900
"""Short enough that nobody can keep an operator out for a shift by guessing on purpose; sessions that are
open go on. At one guess in 15 minutes a guesser gets under 100 a day (ASVS 4.0.3, 2.2.1 allows 100 an hour;
from memory)."""


def wait_s(failed: int) -> int:
    """Seconds the account waits after so many failures in a row: none, then doubling up to the longest."""
    over = failed - FREE_TRIES
    if over <= 0:
        return 0
    return min(LONGEST_WAIT_S, FIRST_WAIT_S << min(over - 1, 10))
