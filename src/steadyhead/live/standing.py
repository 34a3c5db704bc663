"""Judge rows and look again at what stands, at moments that hang on data time alone.

A replay after a kill looks at the same moments, however the rows were cut, and so says the same.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import fields

from steadyhead.alerts.model import Verdict
from steadyhead.diagnosis.weigh import Episodes
from steadyhead.engine import Change, Ready, State, step
from steadyhead.readings.frame import Readings
from steadyhead.units import UnitSystem

LOOK_S = 1800  # so often at most a standing alert gets new figures: what is said of it must not flicker


def judged(
    state: State, episodes: Episodes, rows: Readings, ready: Ready, units: UnitSystem
) -> list[tuple[str, Verdict]]:
    """What the rows change, in order: "raised", "cleared", or "updated" for what stands and has another size.

    ``state`` and ``episodes`` are carried on in place; the rows follow on those judged before.
    """
    looks = list(_looks(rows))
    if not looks:
        return _followed(step(state, rows, ready), episodes, ready, units)
    before = state.copy()
    changes = step(state, rows, ready)
    if not any(episodes.naming.held.values()) and not any(change.is_raised for change in changes):
        return _followed(changes, episodes, ready, units)
    found, first_s = [], rows.start_s
    for part in fields(state):  # once more, in pieces that end where we look
        getattr(state, part.name)[:] = getattr(before, part.name)
    for look_s in looks:
        piece, first_s = rows.between(first_s, look_s + rows.step_s), look_s + rows.step_s
        found += _followed(step(state, piece, ready), episodes, ready, units)
        again = episodes.look_again(state, look_s, ready.profile, units)
        found += [("updated", verdict) for verdict in again]
    if first_s < rows.end_s:
        found += _followed(step(state, rows.between(first_s, rows.end_s), ready), episodes, ready, units)
    return found


def _followed(
    changes: list[Change], episodes: Episodes, ready: Ready, units: UnitSystem
) -> list[tuple[str, Verdict]]:
    found = []
    for change in changes:
        told = episodes.take(change, ready.profile, units)
        if told is not None:
            found.append(told)
    return found


def _looks(rows: Readings) -> Iterator[int]:
    """Times of rows at which to look: the first row at or after every ``LOOK_S`` of data time."""
    step_s, at_s = rows.step_s, rows.start_s
    while True:
        moment_s = ((at_s - step_s) // LOOK_S + 1) * LOOK_S  # the first after the row before
        at_s += max(0, -((at_s - moment_s) // step_s)) * step_s
        if at_s >= rows.end_s:
            return
        yield at_s
        at_s += step_s
