"""What the chapters share: a life is a function whose docstring is its account."""

from __future__ import annotations

import inspect
from collections.abc import Callable
from dataclasses import replace

from evaluation.case import Case
from evaluation.lives.record import HOUR_S, Expectation, Life

Play = Callable[[Case], tuple[Case, Expectation]]


def chapter(*always: str) -> tuple[list[Life], Callable[..., Callable[[Play], Play]]]:
    """An empty list of lives, and the decorator that adds to it: ``@life("flow")`` names what one needs.

    always : needed by every life of the chapter
    """
    told: list[Life] = []

    def life(*needs: str) -> Callable[[Play], Play]:
        def add(play: Play) -> Play:
            name = play.__name__.replace("_", " ")

            def played(case: Case) -> tuple[Case, Expectation]:
                changed, expectation = play(case)
                return replace(changed, kind=name), _within(expectation, case.end_s)

            told.append(Life(name, inspect.cleandoc(play.__doc__ or ""), (*needs, *always), played))
            return play

        return add

    return told, life


def _within(wish: Expectation, end_s: int) -> Expectation:
    """The wish as far as the log goes."""
    stands_to_s = None if wish.stands_to_s is None else min(wish.stands_to_s, end_s - 2 * HOUR_S)
    over_by_s = None if wish.over_by_s is None or wish.over_by_s > end_s else wish.over_by_s
    return replace(wish, stands_to_s=stands_to_s, over_by_s=over_by_s)


def say(
    *names: str,
    at: float,
    within_h: float,
    stands_to: float | None = None,
    over_by: float | None = None,
    began_within_h: float | None = None,
    allowed: tuple[str, ...] = (),
    most: int = 1,
) -> Expectation:
    """One of these names is wanted within so many hours of a moment; times in seconds since 1970."""
    return Expectation(
        names,
        int(at),
        int(at + within_h * HOUR_S),
        None if stands_to is None else int(stands_to),
        None if over_by is None else int(over_by),
        None if began_within_h is None else int(began_within_h * HOUR_S),
        allowed,
        most,
    )


def silence(*allowed: str, most: int = 1) -> Expectation:
    """Nobody wants a call; at most ``most`` of the allowed names are put up with."""
    return Expectation(allowed=allowed, most=most)
