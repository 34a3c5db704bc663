"""Lives: what happens at real stations, told on healthy logs, and what an engineer wants to hear of it.

A world makes faults by its physics; a life changes a healthy log instead, so that what an alert answers to is
known to the row. Each life is an account in plain words, a change that keeps to hydraulics (``changing``),
and a wish that can be checked on a list of alerts (``record.Expectation``). Every life is played at a healthy
station of each world (``stations``). ``python -m evaluation.lives`` asks the product.

What an engineer wants is common practice, no source; where two answers are both fair, both are accepted.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from evaluation.lives import instruments, ordinary, supply, valve, water
from evaluation.lives.record import Expectation, Life, LifeCase, Said
from evaluation.lives.stations import Maker, Shelf

LIVES: tuple[Life, ...] = tuple(
    life for chapter in (ordinary, water, valve, supply, instruments) for life in chapter.CHAPTER
)


def lives(world_makers: Mapping[str, Maker]) -> Iterator[LifeCase]:
    """Every life at one station of each world; a world without a station that fits is passed over."""
    shelves = {world: Shelf(maker) for world, maker in world_makers.items()}
    for life in LIVES:
        for world, shelf in shelves.items():
            healthy = shelf.pick(life.needs, life.name)
            if healthy is not None:
                case, expectation = life.play(healthy)
                yield LifeCase(life, world, healthy, case, expectation)


__all__ = ["LIVES", "Expectation", "Life", "LifeCase", "Said", "lives"]
