"""What a piece of work says of how far it is; the same from this process and from a worker."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class At:
    """Being at a station; only this process hears of it.

    done : stations of the lot that are through this step, parts of one included
    """

    step: str
    station: str
    done: float


@dataclass(frozen=True, slots=True)
class Finished:
    """A step is through for a lot.

    tried, good : stations gone into the step, and those that came through it
    rows : rows of readings, where the step counts them
    seconds : of work; over several processes they add up to more than has gone by
    """

    step: str
    tried: int
    good: int
    seconds: float
    rows: int = 0


Told = At | Finished
Tell = Callable[[Told], None]


def to_nobody(told: Told) -> None:
    """For work that nobody watches."""
    del told
