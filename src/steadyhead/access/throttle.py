"""How often one address or one actor may ask: a bucket that fills at a steady rate."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass

MOST_KEYS = 20_000  # one key is some 200 bytes; a flood of addresses cannot fill the memory


@dataclass(slots=True)
class _Bucket:
    left: float
    at_s: float


class Throttle:
    """At most ``per_minute`` requests a minute for each key, with ``burst`` at once.

    clock : monotonic seconds
    """

    def __init__(self, per_minute: float, burst: int, clock: Callable[[], float]) -> None:
        self._per_s = per_minute / 60.0
        self._burst = float(max(1, burst))
        self._clock = clock
        self._buckets: OrderedDict[str, _Bucket] = OrderedDict()
        self._lock = threading.Lock()

    def wait_s(self, key: str) -> float:
        """Take one from the key's bucket: 0 if it may go on, else the seconds until it may."""
        now_s = self._clock()
        with self._lock:
            bucket = self._buckets.pop(key, None)
            if bucket is None:
                bucket = _Bucket(self._burst, now_s)
                while len(self._buckets) >= MOST_KEYS:
                    self._buckets.popitem(last=False)  # the one not seen for longest
            self._buckets[key] = bucket
            bucket.left = min(self._burst, bucket.left + max(0.0, now_s - bucket.at_s) * self._per_s)
            bucket.at_s = now_s
            if bucket.left >= 1.0:
                bucket.left -= 1.0
                return 0.0
            return (1.0 - bucket.left) / self._per_s
