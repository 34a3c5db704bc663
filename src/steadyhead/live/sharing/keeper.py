"""The keeper: gives the signs that this process lives, watches the others, takes and hands over.

One thread gives signs and decides, and never waits for anything but the database; opening and closing what is
held has threads of its own, so that a long replay cannot make this process look dead.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from dataclasses import dataclass
from typing import Protocol

from steadyhead.errors import DatabaseError, SteadyheadError
from steadyhead.live.sharing.book import Book
from steadyhead.live.sharing.fence import Fence
from steadyhead.live.sharing.watch import Holding, Member, Outlook, Table, Watch, lost

log = logging.getLogger(__name__)

AGAIN_S = 1.0  # after something that could not be opened or handed over
AT_ONCE = 32  # holdings opened or closed at the same time; one that cannot be opened holds up no other


class Held(Protocol):
    """Something that is held, while it is."""

    def start(self) -> None:
        """Begin; returns at once."""
        ...

    def stop(self) -> None:
        """End in order, with everything made safe for whoever is next."""
        ...

    def abandon(self) -> None:
        """End, because it is another's by now."""
        ...


@dataclass(slots=True)
class Entry:
    """One holding of this process.

    thing : None until it is opened; is_over : it is being ended; words : why it cannot be opened
    """

    fence: Fence
    thing: Held | None = None
    is_over: bool = False
    words: str | None = None


class Keeper:
    """Threads may ask it what is held.

    open_thing : makes what belongs to a fence, raising SteadyheadError if that cannot be now
    knows : whether this process can do a task; adopt : divides the stations anew, False if it may not
    steady : seconds of a clock nobody sets; pool : where things are opened and closed
    """

    def __init__(
        self, book: Book, lease_s: float, renew_s: float, open_thing: Callable[[Fence], Held],
        knows: Callable[[str], bool], adopt: Callable[[], bool], *,
        steady: Callable[[], float] = time.monotonic, pool: Executor | None = None,
    ) -> None:  # fmt: skip
        self._book, self._renew_s, self._steady = book, renew_s, steady
        self._open_thing, self._knows, self._adopt = open_thing, knows, adopt
        self._watch = Watch(lease_s)
        self._lock = threading.Lock()
        self._entries: dict[str, Entry] = {}
        self._pool = pool or ThreadPoolExecutor(AT_ONCE, thread_name_prefix="holdings")
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self.outlook: Outlook | None = None
        self.table: Table | None = None
        self.words: str | None = None

    # ------------------------------------------------------------ for others

    def start(self) -> None:
        """Become a member and begin; returns at once."""
        self._thread = threading.Thread(target=self._run, name="keeper", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """End all that is held, in order, and let others take it at once."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join()
        with self._lock:
            names = list(self._entries)
        signs = threading.Event()
        giving = threading.Thread(target=self._give_signs, args=(signs,), name="keeper", daemon=True)
        giving.start()  # ending may take longer than a lease
        try:
            self._book.retire()
        except DatabaseError as exc:
            log.warning("sharing: %s", exc)
        for done in [found for name in names if (found := self._end(name, hand_over=True)) is not None]:
            done.result()
        self._pool.shutdown()
        signs.set()
        giving.join()
        try:
            self._book.leave()
        except DatabaseError as exc:
            log.warning("the others will notice by the lease that this process has ended: %s", exc)

    @property
    def me(self) -> Member:
        """What the others know of this process."""
        return self._book.me

    def things(self) -> dict[str, Held]:
        """What is held and open, by name."""
        with self._lock:
            return {n: e.thing for n, e in self._entries.items() if e.thing is not None and not e.is_over}

    def thing(self, name: str) -> Held | None:
        """What is held under a name and open, or None."""
        with self._lock:
            entry = self._entries.get(name)
            return None if entry is None or entry.is_over else entry.thing

    def troubles(self) -> list[str]:
        """What could not be opened, in words."""
        with self._lock:
            return [f"{name}: {e.words}" for name, e in self._entries.items() if e.words is not None]

    # ------------------------------------------------------------ the thread

    def _run(self) -> None:
        while not self._stop.is_set():
            try:
                self.round()
                self.words = None
            except SteadyheadError as exc:
                if str(exc) != self.words:
                    log.warning("sharing: %s", exc)
                self.words = str(exc)
            except Exception as exc:  # a defect must not make this process look dead for good
                log.exception("sharing: a defect; it goes on")
                self.words = f"a defect ({exc}); please report it"
            self._stop.wait(self._renew_s)

    def round(self) -> None:
        """Give a sign, look, and do what follows. Raises DatabaseError."""
        if not self._book.me.id:
            self._book.join()
        is_member, table = self._book.beat()
        if not is_member:  # given up, such as after a long pause: nothing is ours any more
            log.warning("sharing: the others have given this process up; it begins anew")
            for name in self._names():
                self._end(name, hand_over=False)
            self._book.join()
            is_member, table = self._book.beat()
        me = self._book.me
        with self._lock:
            held = [Holding(n, me.id, e.fence.fence) for n, e in self._entries.items() if not e.is_over]
        for holding in lost(table, me.id, held):
            log.warning("sharing: %s is another's by now", holding.name)
            self._end(holding.name, hand_over=False)
        outlook = self._watch.look(table, me, self._steady())
        self.outlook, self.table = outlook, table
        self._pick_up(table, me)
        members = {member.id: member for member in table.members}
        if outlook.adopt:
            for holding in outlook.take:
                if holding.owner is not None:
                    self._book.free(holding, members.get(holding.owner))
            self._adopt()
        else:
            for holding in outlook.take:
                self._take(holding, members.get(holding.owner or ""))
        for holding in outlook.hand_over:
            self._end(holding.name, hand_over=True)
        owners = {holding.owner for holding in table.holdings}
        for member in outlook.given_up:
            if member.id not in owners:
                self._book.forget(member)

    def _take(self, holding: Holding, owner: Member | None) -> None:
        if holding.name in self._names() or not self._knows(holding.name):
            return
        fence = self._book.take(holding, owner)
        if fence is not None:
            self._begin(fence)

    def _pick_up(self, table: Table, me: Member) -> None:
        """What is ours by the table and was not known here: the answer to taking it was lost on the way."""
        names = self._names()
        for holding in table.holdings:
            if holding.owner == me.id and holding.name not in names:
                self._begin(Fence(holding.name, me.id, holding.fence))

    def _names(self) -> set[str]:
        with self._lock:
            return set(self._entries)

    def _give_signs(self, until: threading.Event) -> None:
        while not until.wait(self._renew_s):
            try:
                self._book.beat()
            except DatabaseError as exc:
                log.warning("sharing: %s", exc)

    # ------------------------------------------------------------ opening and closing

    def _begin(self, fence: Fence) -> None:
        entry = Entry(fence)
        with self._lock:
            self._entries[fence.name] = entry
        self._pool.submit(self._open, entry)

    def _open(self, entry: Entry) -> None:
        """Open it, again and again until it works or is over."""
        while not entry.is_over and not self._stop.is_set():
            try:
                thing = self._open_thing(entry.fence)
            except SteadyheadError as exc:
                log.warning("sharing: %s cannot be opened yet: %s", entry.fence.name, exc)
                entry.words = str(exc)
                self._stop.wait(AGAIN_S)
                continue
            except Exception as exc:
                log.exception("sharing: %s cannot be opened, by a defect", entry.fence.name)
                entry.words = f"a defect ({exc}); please report it"
                self._stop.wait(AGAIN_S)
                continue
            entry.words = None
            with self._lock:
                if not entry.is_over:
                    entry.thing = thing
                    thing.start()
            return

    def _end(self, name: str, *, hand_over: bool) -> Future[None] | None:
        with self._lock:
            entry = self._entries.get(name)
            if entry is None or entry.is_over:
                return None
            entry.is_over = True
        return self._pool.submit(self._close, entry, hand_over)

    def _close(self, entry: Entry, hand_over: bool) -> None:
        try:
            if entry.thing is not None:
                if hand_over:
                    entry.thing.stop()
                else:
                    entry.thing.abandon()
        except Exception:
            log.exception("sharing: %s did not end in order", entry.fence.name)
        while hand_over:
            try:
                self._book.hand_over(entry.fence)
                break
            except DatabaseError as exc:
                log.warning("sharing: %s cannot be handed over yet: %s", entry.fence.name, exc)
                if self._stop.wait(AGAIN_S):
                    break  # the lease ends with the process
        with self._lock:
            self._entries.pop(entry.fence.name, None)
