"""Random streams that are the same for a scenario and its healthy twin, whatever else differs."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from scipy.signal import lfilter

from steadyhead.types import FloatArray


def stream(seed: int, name: str, stretch: int = 0) -> np.random.Generator:
    """A generator for one named use in one stretch (day) of a scenario."""
    return np.random.default_rng([seed, stretch, *name.encode()])


@dataclass(slots=True)
class Wander:
    """A stationary first-order wander with mean 0, deviation 1 and a correlation time, each second."""

    time_s: float
    memory: FloatArray | None = field(default=None)

    def take(self, rng: np.random.Generator, n_seconds: int) -> FloatArray:
        """The next ``n_seconds`` values, continuing from the last call; shape (n_seconds,)."""
        keep = math.exp(-1.0 / self.time_s)
        if self.memory is None:
            self.memory = np.array([keep * rng.standard_normal()])
        push = rng.standard_normal(n_seconds)
        values, self.memory = lfilter([math.sqrt(1.0 - keep * keep)], [1.0, -keep], push, zi=self.memory)
        return np.asarray(values, dtype=np.float64)


@dataclass(slots=True)
class Lag:
    """A first-order lag, one value a second; starts settled at the first value it sees."""

    time_s: float
    memory: FloatArray | None = field(default=None)

    def take(self, values: FloatArray) -> FloatArray:
        """The lagged values, continuing from the last call; same shape."""
        if self.time_s <= 0.0:
            return values
        keep = math.exp(-1.0 / self.time_s)
        if self.memory is None:
            self.memory = np.array([keep * values[0]])
        lagged, self.memory = lfilter([1.0 - keep], [1.0, -keep], values, zi=self.memory)
        return np.asarray(lagged, dtype=np.float64)
