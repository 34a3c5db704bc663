"""The threads that send: one looks for what is due, and each channel has its own messages sent one by one."""

from __future__ import annotations

import logging
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field

from steadyhead.errors import DatabaseError, NotifyError
from steadyhead.notify import outbox
from steadyhead.notify.channel_settings import AnyChannel
from steadyhead.notify.channels.base import NotTakenError, Sending
from steadyhead.notify.channels.opening import open_channel
from steadyhead.notify.message import Message
from steadyhead.notify.settings import NotifySettings, Trying
from steadyhead.notify.words import Manner
from steadyhead.store.database import Database

LOOK_EVERY_S = 2.0
FLOOD_S = 600.0  # messages within this count towards ``gather_over``
GATHER_S = 60.0  # in a flood a channel gets one message in this time
_log = logging.getLogger(__name__)


def wait_s(trying: Trying, failures: int) -> float:
    """The wait after so many failures, 1 for the first: it doubles up to the longest."""
    doubled = trying.first_wait_s * 2.0 ** min(failures - 1, 40)
    return min(doubled, trying.longest_wait_s)


@dataclass(slots=True)
class _Way:
    """What is remembered of a channel between looks; losing it in a restart does no harm.

    failures : one after another; rest_until : no try before this [s of the steady clock]
    sent_at : times of the latest messages [s of the steady clock]
    owed : messages that were taken but could not be recorded, by row; they are recorded before anything else
    """

    failures: int = 0
    rest_until: float = 0.0
    sent_at: deque[float] = field(default_factory=deque)
    owed: dict[int, int] = field(default_factory=dict)


class Sender:
    """Sends what is in the outbox; ``start`` and ``stop`` it, or call ``look`` in tests.

    clock : epoch seconds; steady : seconds of a clock nobody sets
    """

    def __init__(
        self,
        settings: NotifySettings,
        database: Database,
        clock: Callable[[], float] = time.time,
        *,
        steady: Callable[[], float] = time.monotonic,
        look_every_s: float = LOOK_EVERY_S,
        open_sending: Callable[[AnyChannel], Sending] = open_channel,
    ) -> None:
        self._settings = settings
        self._database = database
        self._clock = clock
        self._steady = steady
        self._look_every_s = look_every_s
        self._sending = {name: open_sending(channel) for name, channel in settings.channels.items()}
        self._ways: dict[str, _Way] = {}
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None
        self._busy: dict[str, threading.Thread] = {}
        self._is_database_lost = False

    def start(self) -> None:
        """Begin to send; returns at once."""
        self._stopping.clear()
        self._thread = threading.Thread(target=self._run, name="notify", daemon=True)
        self._thread.start()

    def stop(self, patience_s: float = 10.0) -> None:
        """End after the messages that are being sent, or after ``patience_s``; what is not sent waits."""
        self._stopping.set()
        until = self._steady() + patience_s
        for thread in [self._thread, *self._busy.values()]:
            if thread is not None:
                thread.join(max(until - self._steady(), 0.0))
        self._thread = None

    def look(self) -> None:
        """One look, sending what is due, channel after channel in this thread."""
        for channel in self._channels():
            self._serve(channel)

    def _run(self) -> None:
        while not self._stopping.wait(self._look_every_s):
            for channel in self._channels():
                busy = self._busy.get(channel)
                if busy is None or not busy.is_alive():  # a channel that hangs holds up no other
                    # Daemons: a receiver that hangs must not keep the service from ending. What it then took
                    # without our record is tried again after the restart, under the same key.
                    thread = threading.Thread(
                        target=self._serve, args=(channel,), name=f"notify-{channel}", daemon=True
                    )
                    self._busy[channel] = thread
                    thread.start()

    def _channels(self) -> list[str]:
        owing = [name for name, way in self._ways.items() if way.owed]
        try:
            with self._database.reading() as session:
                found = outbox.channels_due(session, int(self._clock()))
        except DatabaseError as exc:
            self._lost(exc)
            return []
        self._found_again()
        return sorted({*found, *owing})

    def _serve(self, channel: str) -> None:
        """Send what is due on a channel until something fails. Never raises: the thread has to live on."""
        try:
            self._serve_or_raise(channel, self._ways.setdefault(channel, _Way()))
        except DatabaseError as exc:
            self._lost(exc)
        except Exception:
            _log.exception("channel %s: a defect cut sending short; it goes on at the next look", channel)

    def _serve_or_raise(self, channel: str, way: _Way) -> None:
        self._settle(way)
        if self._steady() < way.rest_until:
            return
        for row_id in self._chosen(channel, way):
            if self._stopping.is_set() or not self._send(channel, way, row_id):
                return

    def _chosen(self, channel: str, way: _Way) -> list[int]:
        """Rows to send now: each by itself, or in a flood the one that stands for all."""
        now_s, now = int(self._clock()), self._steady()
        with self._database.reading() as session:
            due = outbox.due_rows(session, channel, now_s)
        again = [row.row_id for row in due if row.is_gathered]
        single = [row.row_id for row in due if not row.is_gathered]
        settings = self._settings.channels.get(channel)
        limit = None if settings is None else settings.gather_over
        while way.sent_at and way.sent_at[0] < now - FLOOD_S:
            way.sent_at.popleft()
        if limit is None or not single or len(way.sent_at) + len(single) <= limit:
            return again + single
        if len(way.sent_at) >= limit and way.sent_at and now - way.sent_at[-1] < GATHER_S:
            return again
        with self._database.session() as session:
            stands = outbox.gather(session, single, now_s)
        return again if stands is None else [*again, stands]

    def _send(self, channel: str, way: _Way, row_id: int) -> bool:
        """Try one row; False if the channel failed and should rest."""
        settings = self._settings.channels.get(channel)
        lease_s = 0.0 if settings is None else settings.longest_send_s
        with self._database.session() as session:
            claimed = outbox.claim(session, row_id, int(self._clock()), lease_s)
        if claimed is None:
            return True
        try:
            self._deliver(channel, settings, claimed.message)
        except Exception as exc:  # a channel's defect, too, must neither lose a message nor end the thread
            self._failed(channel, way, claimed, exc)
            return False
        way.owed[claimed.row_id] = int(self._clock())
        way.failures = 0
        way.sent_at.append(self._steady())
        self._settle(way)
        return True

    def _deliver(self, channel: str, settings: AnyChannel | None, message: Message) -> None:
        if settings is None:
            raise NotifyError(f"there is no channel {channel} in the settings any more; put it back")
        manner = Manner(self._settings.public_url, self._settings.with_checks, settings.list_at_most)
        self._sending[channel].send(message, manner)

    def _settle(self, way: _Way) -> None:
        """Record what was taken. Until that succeeds nothing else is sent on the channel."""
        for row_id, sent_s in list(way.owed.items()):
            with self._database.session() as session:
                outbox.set_sent(session, row_id, sent_s)
            del way.owed[row_id]

    def _failed(self, channel: str, way: _Way, claimed: outbox.Claimed, exc: Exception) -> None:
        is_known = isinstance(exc, NotifyError)
        # The text of an unforeseen error may hold an address or a password.
        why = str(exc) if is_known else f"a defect in the channel ({type(exc).__name__})"
        trying, now_s = self._settings.trying, int(self._clock())
        asked_s = (exc.retry_after_s or 0.0) if isinstance(exc, NotTakenError) else 0.0
        way.failures += 1
        way.rest_until = self._steady() + max(wait_s(trying, way.failures), asked_s)
        next_s = now_s + round(max(wait_s(trying, claimed.tries), asked_s))
        is_over = now_s - claimed.first_due_s >= trying.give_up_after_h * 3600
        with self._database.session() as session:
            if is_over:
                outbox.set_gave_up(session, claimed.row_id, why, now_s)
            else:
                done = exc.done if isinstance(exc, NotTakenError) else ()
                outbox.set_failed(session, claimed.row_id, why, next_s, done)
        if is_over:
            _log.error("channel %s: gave up message %s: %s", channel, claimed.message.token[:8], why)
        else:
            _log.warning("channel %s: try %d failed: %s", channel, claimed.tries, why)

    def _lost(self, exc: DatabaseError) -> None:
        if not self._is_database_lost:
            _log.warning("notifications wait for the database: %s", exc)
        self._is_database_lost = True

    def _found_again(self) -> None:
        if self._is_database_lost:
            _log.warning("the database is back; notifications go on")
        self._is_database_lost = False
