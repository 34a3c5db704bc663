"""Who was let in before, for the minutes in which the database cannot be asked.

A batch of readings must be taken in while the database is locked or gone (it is kept in the journal), and a
page must be able to say that it is gone. While it is, a secret that was good the last time it was asked about
still counts, until its own end. Nobody can revoke it meanwhile: that needs the database too.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable

from steadyhead.access.actor import Actor
from steadyhead.errors import DatabaseError

MOST = 2_000
ASK_AGAIN_S = 5.0  # a lost server may take seconds to say so; not every request should wait for that


class Remembered:
    """Digests of secrets that were good, in memory only.

    clock : epoch seconds
    """

    def __init__(self, clock: Callable[[], float]) -> None:
        self._clock = clock
        self._known: OrderedDict[str, tuple[Actor, float]] = OrderedDict()
        self._lost: tuple[float, DatabaseError] | None = None
        self._lock = threading.Lock()

    def ask(self, key: str, look_up: Callable[[], tuple[Actor, float] | None]) -> Actor | None:
        """The actor of a secret's digest, from the database or, if that is lost, from memory.

        look_up : asks the database; the actor and when the secret ends [epoch s], or None
        Raises DatabaseError if the database is lost and the secret was never seen.
        """
        now_s = self._clock()
        lost = self._lost
        if lost is not None and lost[0] <= now_s < lost[0] + ASK_AGAIN_S:
            return self._recall(key, now_s, lost[1])
        try:
            found = look_up()
        except DatabaseError as exc:
            self._lost = (now_s, exc)
            return self._recall(key, now_s, exc)
        self._lost = None
        with self._lock:
            self._known.pop(key, None)
            if found is not None:
                while len(self._known) >= MOST:
                    self._known.popitem(last=False)
                self._known[key] = found
        return None if found is None else found[0]

    def forget(self) -> None:
        """Drop everything; called whenever a session or a token is ended."""
        with self._lock:
            self._known.clear()

    def _recall(self, key: str, now_s: float, error: DatabaseError) -> Actor | None:
        with self._lock:
            known = self._known.get(key)
        if known is None:
            raise DatabaseError(str(error)) from error
        return known[0] if now_s < known[1] else None
