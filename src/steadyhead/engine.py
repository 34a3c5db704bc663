"""The main path: state and a block of readings in, state and verdict changes out.

Replay, live running and backfill all call ``step``. The state is small and sequential, so the answer does
not depend on how the readings were cut into blocks, and ``raised_s`` is the data time at which a live run
would have raised the alert.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field, fields
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from steadyhead.conditions.base import INDEX, new_held
from steadyhead.conditions.judge import advance, room_for_events
from steadyhead.conditions.scene import Familiar, as_record, new_scene
from steadyhead.conditions.scene.numbers import N_PAST
from steadyhead.errors import ReadingsError
from steadyhead.profile.expect import Normal, around, normal
from steadyhead.profile.limits import arm_kpa, familiar, limits, spike_kpa
from steadyhead.profile.model import Profile
from steadyhead.readings.frame import Readings
from steadyhead.readings.ticks import Ticks, condense, new_memory
from steadyhead.types import CONDITIONS, Condition, FloatArray

BLOCK_TICKS = 16384  # ticks and expectations of a block stay in cache, so memory does not grow with the log


@dataclass(slots=True)
class State:
    """Everything a restart needs of one station, besides its profile."""

    condense: NDArray[Any] = field(default_factory=new_memory)
    scene: NDArray[Any] = field(default_factory=new_scene)
    held: NDArray[Any] = field(default_factory=new_held)

    def copy(self) -> State:
        """An independent copy."""
        return State(self.condense.copy(), self.scene.copy(), self.held.copy())

    def to_bytes(self) -> bytes:
        """All of it, headed by a mark of the layout of its records."""
        return _layout() + b"".join(getattr(self, part.name).tobytes() for part in fields(self))

    @classmethod
    def from_bytes(cls, data: bytes) -> State:
        """The state that ``to_bytes`` wrote.

        Raises ReadingsError if a version with other records wrote it.
        """
        state = cls()
        at = len(mark := _layout())
        parts = [getattr(state, part.name) for part in fields(state)]
        if data[:at] != mark or len(data) != at + sum(part.nbytes for part in parts):
            raise ReadingsError(
                "the saved engine state is of another version of the program; start anew and replay"
            )
        for part in parts:
            part[:] = np.frombuffer(data, dtype=part.dtype, count=len(part), offset=at)
            at += part.nbytes
        return state


@cache
def _layout() -> bytes:
    """Eight bytes that change whenever a record gains, loses or renames a field."""
    state = State()
    records = [(part.name, getattr(state, part.name).dtype.descr) for part in fields(state)]
    return hashlib.sha256(repr((records, CONDITIONS)).encode()).digest()[:8]


@dataclass(frozen=True, slots=True)
class Change:
    """A condition was raised, has cleared, or stands and is looked at again.

    at_s : data time of the change, seconds since 1970-01-01 UTC
    scene, all_held : records of ``conditions.scene`` and of all conditions at that moment
    """

    condition: Condition
    is_raised: bool
    at_s: int
    scene: Any
    all_held: Any
    is_look: bool = False

    @property
    def held(self) -> Any:
        """The condition's own record."""
        return self.all_held[INDEX[self.condition]]


@dataclass(frozen=True, slots=True)
class Ready:
    """A profile as the kernels take it: made once where a station is stepped again and again."""

    profile: Profile
    limits: NDArray[Any]
    familiar: Familiar
    normal: Normal
    arm_kpa: float
    spike_kpa: float


def ready(profile: Profile) -> Ready:
    """Get a profile ready for ``step``."""
    return Ready(
        profile,
        as_record(limits(profile)),
        familiar(profile),
        normal(profile),
        arm_kpa(profile),
        spike_kpa(profile),
    )


_NO_DAYS: FloatArray = np.zeros((1, 4))
_NO_HOURS: FloatArray = np.zeros((1, 5))
_NO_PASTS: FloatArray = np.zeros((1, N_PAST))


def step(state: State, readings: Readings, profile: Profile | Ready) -> list[Change]:
    """Take in a block of readings; ``state`` is carried on in place.

    The block must begin where the last one ended. Returns the changes in order of data time.
    """
    known = profile if isinstance(profile, Ready) else ready(profile)
    changes: list[Change] = []
    rows = BLOCK_TICKS * max(1, 60 // readings.step_s)
    for first in range(0, len(readings), rows):
        block = readings if len(readings) <= rows else readings.rows(first, min(first + rows, len(readings)))
        changes += _judge(state, condense(block, state.condense, known.arm_kpa, known.spike_kpa), known)
    return changes


def _judge(state: State, ticks: Ticks, known: Ready) -> list[Change]:
    if not len(ticks):
        return []
    expected = around(known.normal, ticks)
    changes = []
    done = 0
    while done < len(ticks):
        events, scenes, helds = room_for_events(len(ticks) - done)
        done, n_events = advance(
            ticks.table, done, float(ticks.start_s), float(ticks.tick_s), expected, state.scene, state.held,
            known.limits, known.familiar, False, _NO_DAYS, _NO_HOURS, _NO_PASTS, events, scenes, helds,
        )  # fmt: skip
        for event, scene, held in zip(events[:n_events], scenes, helds, strict=False):
            changes.append(
                Change(
                    condition=CONDITIONS[int(event["condition"])],
                    is_raised=bool(event["kind"] == 1),
                    is_look=bool(event["kind"] == 2),
                    at_s=int(ticks.start_s + ticks.tick_s * int(event["tick"])),
                    scene=scene.copy(),
                    all_held=held.copy(),
                )
            )
    return changes


def healthy_statistics(ticks: Ticks, profile: Profile) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Largest statistics of each day, shape (n_days, 4), and what each hour was like.

    The latter are the features of the hour, shape (n_hours, 5), and what the scene remembers at its end,
    shape (n_hours, 14).

    For learning: nothing is raised. NaN where a day or an hour has nothing to say.
    """
    seconds = len(ticks) * ticks.tick_s
    daily = np.zeros((seconds // 86400 + 1, 4))
    hours = np.full((seconds // 3600 + 1, 5), np.nan)
    pasts = np.full((seconds // 3600 + 1, N_PAST), np.nan)
    events, scenes, helds = room_for_events(1)
    expected = around(profile, ticks)
    advance(
        ticks.table, 0, float(ticks.start_s), float(ticks.tick_s), expected, new_scene(), new_held(),
        as_record(limits(profile)), familiar(profile), True, daily, hours, pasts, events, scenes, helds,
    )  # fmt: skip
    return daily, hours, pasts
