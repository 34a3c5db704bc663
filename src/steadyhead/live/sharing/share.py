"""One share while a process holds it: a live run of its own over the stations of the share."""

from __future__ import annotations

import logging
from collections.abc import Callable

from steadyhead.archive.archive import Archive
from steadyhead.archive.shares import place_of
from steadyhead.config import Registry
from steadyhead.desk.desk import Desk
from steadyhead.errors import SteadyheadError
from steadyhead.live.desks import desk_of
from steadyhead.live.doors import doors_of
from steadyhead.live.feed_rows import FeedRows, FeedState
from steadyhead.live.folders import Folders
from steadyhead.live.loop import Loop
from steadyhead.live.profile_files import ProfileFiles
from steadyhead.live.runner import Parts, Runner
from steadyhead.live.sharing.archives import open_own
from steadyhead.live.sharing.fence import Fence, FencedDatabase
from steadyhead.live.sharing.front import InnerDoor
from steadyhead.live.sharing.journal import ShareJournal
from steadyhead.live.sharing.kit import Kit
from steadyhead.live.sharing.shown import write_views
from steadyhead.live.watermarks import NEVER, Waits

log = logging.getLogger(__name__)

MOST_BEHIND = 30  # records that may wait to be judged; what is more waits in the inbox


class OwnDesk(Desk):
    """The desk of a share's run. Ends of shelvings are seen to once for the whole fleet."""

    def tick(self, now_s: float) -> int:  # noqa: ARG002
        """Nothing."""
        return 0


class NoFeedRows(FeedRows):
    """The tables of feeds are written once for the whole process."""

    def write(self) -> None:
        """Nothing."""


class Share:
    """The run of a share that has stations. ``stop`` judges all and saves; ``abandon`` writes nothing more.

    Raises DatabaseError, JournalError or ArchiveError if it cannot be opened now.
    """

    def __init__(self, number: int, part: Registry, fence: Fence, kit: Kit) -> None:
        settings, clock = kit.settings, kit.clock.another()
        self.number = number
        self.database = FencedDatabase(kit.database, fence)
        self.journal = ShareJournal(self.database, number, settings.data_folder)
        clock.resume(self.journal.listened_s)
        steps_s = {name: station.step_s for name, station in part.stations.items()}
        self.archive: Archive = open_own(place_of(kit.readings, number), steps_s, self.database)
        self.door = InnerDoor(doors_of(part), self.journal, kit.quarantine, clock, kit.inbox, number)
        # pages are told of the alerts of all shares alike, by ``news_relay``
        desk = desk_of(
            OwnDesk, settings, self.database, kit.knowledge, kit.registry, clock.wall_s, kit.hook
        )  # fmt: skip
        files = ProfileFiles(settings.profiles, part.stations)
        waits = Waits(settings.horizon_s, settings.silence_s)
        self.loop = Loop(part, waits, self.journal, self.database, self.archive, desk, files)
        self.folders: Folders | None = None
        if settings.watch_folders:
            self.folders = Folders(
                part, self.door, self.journal, settings.data_folder, self.n_behind, clock.wall_s,
                settings.future_s,
            )  # fmt: skip
        feed_rows = NoFeedRows(self.journal, self.database, kit.news, clock.wall_s, dict)
        self.runner = Runner(
            Parts(
                settings=settings, registry=part, clock=clock, journal=self.journal, intake=self.door,
                quarantine=kit.quarantine, archive=self.archive, desk=desk, news=kit.news, files=files,
                loop=self.loop, feed_rows=feed_rows, folders=self.folders,
            )
        )  # fmt: skip
        self._clock: Callable[[], float] = clock.wall_s

    def start(self) -> None:
        """Take up the checkpoints and begin; returns at once."""
        self.runner.start()

    def stop(self) -> None:
        """Judge what is accepted, make it safe and end."""
        self.runner.stop()
        try:
            self._write_views()
            self.archive.close()
        except SteadyheadError as exc:  # the journal has all of it
            log.warning("share %d: ended before all was written: %s", self.number, exc)

    def abandon(self) -> None:
        """End without a further write: the share is another's, who judges the same readings."""
        self.runner.stop()  # whatever it still tries to write is refused by the fence

    def take_in(self) -> bool:
        """Take readings from the inbox, unless too much waits to be judged. Raises JournalError."""
        return self.n_behind() <= MOST_BEHIND and self.door.take_in()

    def n_behind(self) -> int:
        """Records that wait to be judged."""
        return self.door.n_behind(self.loop.done_no)

    def last_data_s(self) -> int | None:
        """Newest data time of its stations."""
        newest_s = int(self.loop.order.marks.table["newest_s"].max())
        return None if newest_s == NEVER else newest_s

    def show(self) -> None:
        """Write what the stations are doing, for other processes. Raises DatabaseError."""
        if self.runner.status().state in ("running", "replaying"):
            self._write_views()

    def _write_views(self) -> None:
        write_views(self.database, self.number, self.runner.stations(), self.last_data_s(), self._clock())

    def folder_states(self) -> dict[str, FeedState]:
        """How each watched source is doing."""
        return {} if self.folders is None else self.folders.states()
