"""What came of the stations, lot by lot and put together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from steadyhead.alerts.model import Alert
from steadyhead.fleet.crew import Lost
from steadyhead.fleet.lots import Lot
from steadyhead.profile.model import Profile
from steadyhead.readings.rejects import Rejects

READ, LEARN, KNOW, SCAN, DRAW = "read", "learn", "know", "scan", "draw"
STEPS = (READ, LEARN, KNOW, SCAN, DRAW)


@dataclass(frozen=True, slots=True)
class Found:
    """An alert; ``picture`` is its evidence as a PNG, or None where none was asked for."""

    alert: Alert
    picture: bytes | None = None


@dataclass(slots=True)
class Outcome:
    """Of a lot, or of all of them.

    steps_s : seconds between readings, of each station that was read; rejects : what was refused of it
    profiles : learned, or taken from the folder; of the stations that came through all steps
    found : in the order of stations and of raising
    problems : by step, a line for each station that did not come through it
    """

    steps_s: dict[str, int] = field(default_factory=dict)
    rejects: dict[str, Rejects] = field(default_factory=dict)
    profiles: dict[str, Profile] = field(default_factory=dict)
    found: list[Found] = field(default_factory=list)
    problems: dict[str, dict[str, str]] = field(default_factory=lambda: {step: {} for step in STEPS})

    @property
    def left_out(self) -> dict[str, str]:
        """A line for each station left out, by the step that it did not come through."""
        return {name: line for step in STEPS for name, line in self.problems[step].items()}

    def add(self, other: Outcome) -> None:
        """Put the outcome of a further lot to it."""
        self.steps_s |= other.steps_s
        self.rejects |= other.rejects
        self.profiles |= other.profiles
        self.found += other.found
        for step, lines in other.problems.items():
            self.problems[step] |= lines

    def give_up(self, lost: Lost[Lot]) -> None:
        """Name the stations of a lot whose workers died."""
        self.problems[READ] |= lines_of(lost.job.names, lost.deaths)


def lines_of(names: Sequence[str], deaths: int) -> dict[str, str]:
    """A line for each station of a lot that was given up."""
    together = len(names)
    among = "it" if together == 1 else f"a lot of {together} stations that it is in"
    return {
        name: f"{name}: given up, since {deaths} worker processes died while they had {among}; "
        "give them more memory, or fewer processes to a machine"
        for name in names
    }
