"""``python -m tests.knocks --minutes 60 [--seed 7]``: rounds of faults until the time is up, by hand.

Prints a line for each round and a table at the end. A difference or a process that is stuck ends it with 1
and the seed that drew the round, so that ``--seed`` draws the same faults again. When within a write a fault
strikes is the machine's affair and differs each time. Needs PostgreSQL and Mosquitto; root, to mount a small
disk of its own (else the files of the process are kept from growing instead).
"""

from __future__ import annotations

import argparse
import random
import shutil
import sys
import tempfile
from pathlib import Path

from .rounds import DifferenceError, Plan, run

FAULTS = 22


def main() -> int:
    """Run rounds."""
    parser = argparse.ArgumentParser(prog="python -m tests.knocks", description=__doc__)
    parser.add_argument(
        "--minutes", type=float, default=10.0, help="how long (10); a round begun is finished"
    )
    parser.add_argument("--seed", type=int, help="of the first round; drawn if left out")
    parser.add_argument("--faults", type=int, default=FAULTS, help=f"in each round ({FAULTS})")
    parser.add_argument(
        "--days", type=float, help="of readings to send, of the ten there are; all if left out"
    )
    given = parser.parse_args()
    seed = random.SystemRandom().randrange(10**6) if given.seed is None else given.seed
    folder = Path(tempfile.mkdtemp(prefix="steadyhead-knocks-"))
    try:
        totals = run(
            Plan(given.minutes, seed, given.faults, given.days), folder, lambda text: print(text, flush=True)
        )
    except DifferenceError as exc:
        print(exc)
        return 1
    print(
        f"{totals.rounds} rounds, {sum(totals.done.values())} faults, {totals.starts} starts of the service, "
        f"{totals.readings:,} readings sent, {totals.again:,} sendings repeated, {totals.values:,} values "
        f"and {totals.alerts} alerts compared, {totals.gone} values lost or changed"
    )
    for kind, n in sorted(totals.done.items()):
        print(f"  {kind:20} {n:>6}")
    shutil.rmtree(folder, ignore_errors=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
