"""What a process does for each thing that it holds: a share's run, a feed, messages, reports, the house."""

from __future__ import annotations

from collections.abc import Callable

from steadyhead.archive.archive import Archive
from steadyhead.live.connected import Connections
from steadyhead.live.doors import doors_of
from steadyhead.live.feed_rows import FeedState
from steadyhead.live.profile_files import ProfileFiles
from steadyhead.live.sharing.fence import Fence, FencedDatabase
from steadyhead.live.sharing.front import FrontDoor
from steadyhead.live.sharing.keeper import Held, Keeper
from steadyhead.live.sharing.kit import Kit
from steadyhead.live.sharing.share import Share
from steadyhead.live.sharing.tallies import FleetCounts
from steadyhead.live.sharing.tasks import FEED, HOUSE, NOTIFY, OUTWARD, REPORT, Task, Works, tasks_of
from steadyhead.live.sharing.watch import SHARE
from steadyhead.notify.sender import Sender
from steadyhead.outward.sender import Outward
from steadyhead.store.database import Database


class Nothing:
    """Where a share without stations would run."""

    def start(self) -> None:
        """Nothing."""

    def stop(self) -> None:
        """Nothing."""

    def abandon(self) -> None:
        """Nothing."""


class Holdings:
    """Makes what belongs to a holding, and knows what of it is open.

    keeper : to be set before anything is asked; outward : holds what is wrong with telling other programs
    report : makes the task of the weekly report
    """

    keeper: Keeper

    def __init__(self, kit: Kit, report: Callable[[], Works]) -> None:
        self._kit, self._report = kit, report
        self._doors = doors_of(kit.registry)
        self._counts = FleetCounts(kit.database)
        self._tasks = frozenset(tasks_of(kit.settings))
        self._files = ProfileFiles(kit.settings.profiles, kit.registry.stations)
        self.outward = self._new_outward()

    # ------------------------------------------------------------ making

    def knows(self, name: str) -> bool:
        """Whether this process can do it: feeds of other settings it cannot."""
        return name.startswith(SHARE) or name in self._tasks

    def make(self, fence: Fence) -> Held:
        """What belongs to a holding that was taken. Raises SteadyheadError if it cannot be made now."""
        name = fence.name
        if name.startswith(SHARE):
            number = int(name.removeprefix(SHARE))
            part = self._kit.plan.part_of(self._kit.registry, number)
            return Share(number, part, fence, self._kit) if part.stations else Nothing()
        if name.startswith(FEED):
            feeds = self._feed(name.removeprefix(FEED), FencedDatabase(self._kit.database, fence))
            return Task((feeds,), feeds.states)
        if name == NOTIFY:
            return Task((self.new_sender(),))
        if name == OUTWARD:
            outward = self._new_outward()
            outward.errors = self.outward.errors  # which the pages of this process show
            return Task((outward,))
        return Task((self._report(),)) if name == REPORT else Task()

    def front_door(self, database: Database) -> FrontDoor:
        """A door for readings of all stations; ``database`` is fenced for a feed."""
        kit = self._kit
        return FrontDoor(
            self._doors, kit.plan, kit.inbox, database, kit.quarantine, kit.clock, kit.settings.future_s
        )

    def new_sender(self) -> Sender:
        """What sends messages to people."""
        return Sender(self._kit.settings.notify, self._kit.database, self._kit.clock.wall_s)

    def _new_outward(self) -> Outward:
        kit = self._kit
        return Outward(
            kit.settings.alerts_out, kit.database, kit.registry.stations, self._files.in_use,
            lambda condition: kit.knowledge.entries[condition].title, kit.clock.wall_s,
        )  # fmt: skip

    def _feed(self, name: str, database: FencedDatabase) -> Connections:
        kit = self._kit
        return Connections(
            {name: kit.settings.feeds[name]}, self.front_door(database), self._counts,
            lambda: kit.inbox.n_rows // kit.plan.n_shares, kit.clock.wall_s, kit.settings.future_s,
        )  # fmt: skip

    # ------------------------------------------------------------ what is open

    def shares(self) -> dict[int, Share]:
        """Shares that this process judges, by number."""
        return {thing.number: thing for thing in self.keeper.things().values() if isinstance(thing, Share)}

    def archive_of(self, share: int) -> Archive | None:
        """The archive of a share that this process writes."""
        own = self.shares().get(share)
        return None if own is None else own.archive

    def states(self) -> dict[str, FeedState]:
        """How each feed and each watched source of this process is doing, by the name of the source."""
        found: dict[str, FeedState] = {}
        for thing in self.keeper.things().values():
            if isinstance(thing, Task):
                found |= thing.states()
            elif isinstance(thing, Share):
                found |= thing.folder_states()
        return found

    def answers_for(self, source: str) -> bool:
        """Whether this process writes down how a source is doing."""
        if source.startswith("folder:"):
            share = self._kit.plan.share_of.get(source.split(":")[1])
            return share is not None and share in self.shares()
        return self.keeper.thing(source if source.startswith(FEED) else HOUSE) is not None
