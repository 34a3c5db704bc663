"""The run of a shared fleet as pages and API see it from any process."""

from __future__ import annotations

import contextlib
import shutil
import time
from collections.abc import Collection, Mapping
from dataclasses import replace

from sqlalchemy import func, select

from steadyhead.archive.shares import FleetArchive
from steadyhead.desk.audit import SERVICE
from steadyhead.desk.news import Event
from steadyhead.desk.profiles_used import note_in_use
from steadyhead.errors import DatabaseError, NotFoundError, SteadyheadError
from steadyhead.live.course import Course
from steadyhead.live.intake import Intake
from steadyhead.live.profile_files import ProfileFiles
from steadyhead.live.sharing.holdings import Holdings
from steadyhead.live.sharing.kit import Kit
from steadyhead.live.sharing.shown import Shown
from steadyhead.live.sharing.tallies import FleetCounts
from steadyhead.live.sharing.watch import SHARE, Table
from steadyhead.live.station_views import LONGEST_LEARNED_DAYS, view_of
from steadyhead.live.views import Learned, RunnerState, RunnerStatus, StationView
from steadyhead.store.tables import ShareInboxRow, ShareRecordRow

DAY_S = 86400
FRESH_S = 2.0  # sums over the fleet are good for so long


class FleetRunner:
    """See ``live.runner.Runner``. Own stations are shown as they are, others as their owners last wrote."""

    def __init__(self, kit: Kit, holdings: Holdings, door: Intake, archive: FleetArchive) -> None:
        self._kit, self._door, self._archive = kit, door, archive
        self._keeper, self._shares = holdings.keeper, holdings.shares
        self._shown = Shown(kit.database)
        self._counts = FleetCounts(kit.database)
        self._files = ProfileFiles(kit.settings.profiles, kit.registry.stations)
        self._sums = (0, 0.0, 0, 0, 0, 0)
        self._summed_at = float("-inf")
        self._unreadable: str | None = None
        self._is_running = False

    def start(self) -> None:
        """Begin to take shares; returns at once."""
        self._is_running = True
        self._keeper.start()

    def stop(self) -> None:
        """End what is held, in order, so that others take it at once."""
        self._is_running = False
        self._keeper.stop()

    # ------------------------------------------------------------ stations

    def stations(self, names: Collection[str] | None = None) -> dict[str, StationView]:
        """Each station now, by name; all if None. Names that are not in the registry are left out."""
        registry, share_of, now_s = self._kit.registry, self._kit.plan.share_of, self._kit.clock.wall_s()
        wanted = [name for name in (registry.stations if names is None else names) if name in share_of]
        own = self._shares()
        found: dict[str, StationView] = {}
        for share in {share_of[name] for name in wanted}:
            of_share = [name for name in wanted if share_of[name] == share]
            if share in own:
                found |= own[share].runner.stations(of_share)
                continue
            theirs = self._of_others(share)
            for name in of_share:
                found[name] = _as_of(theirs[name], now_s) if name in theirs else self._nothing_yet(name)
        return {name: found[name] for name in wanted}

    def last_seen(self) -> dict[str, int | None]:
        """Time of the newest reading of every station, or None."""
        own = self._shares()
        found: dict[str, int | None] = dict.fromkeys(self._kit.registry.stations)
        for share in set(self._kit.plan.share_of.values()):
            if share in own:
                found |= own[share].runner.last_seen()
            else:
                found |= {name: view.last_s for name, view in self._of_others(share).items()}
        return {name: found[name] for name in self._kit.registry.stations}

    def learn(
        self, station: str, from_s: int | None = None, to_s: int | None = None, *, who: str = SERVICE
    ) -> Learned:
        """See ``Runner.learn``. The owner of a station takes up what another process has learned."""
        share = self._kit.plan.share_of.get(station)
        if share is None:
            raise NotFoundError(f'there is no station "{station}" in the registry; mend the name')
        own = self._shares().get(share)
        if own is not None and not self._archive.has_moved(station):
            return own.runner.learn(station, from_s, to_s, who=who)
        from steadyhead.live.learning import learned_from  # brings scikit-learn, which takes seconds

        if from_s is None or to_s is None:
            offered = self._span(station)
            from_s, to_s = offered[0] if from_s is None else from_s, offered[1] if to_s is None else to_s
        self._kit.database.check()  # what cannot be written in the audit is not done
        learned = learned_from(self._archive, self._kit.registry, self._files, station, from_s, to_s)
        note_in_use(self._kit.database, self._kit.clock.wall_s(), learned.profile, learned.replaced, who)
        self._kit.news.publish(Event("station", station))
        return learned

    def _span(self, station: str) -> tuple[int, int]:
        """What is offered for learning: as its owner says, else the latest weeks of the archive."""
        view = self._of_others(self._kit.plan.share_of[station]).get(station)
        if view is not None and view.learning is not None:
            from_s, to_s = view.learning.from_s, view.learning.to_s
            if from_s is not None and to_s is not None:
                return from_s, to_s
        from_s, to_s = self._kit.registry.stations[station].learning_span_s()
        extent = self._archive.extent(station)
        first_s, last_s = extent if extent is not None else (0, 0)
        to_s = last_s + 1 if to_s is None else to_s
        return max(first_s, to_s - LONGEST_LEARNED_DAYS * DAY_S) if from_s is None else from_s, to_s

    def _of_others(self, share: int) -> Mapping[str, StationView]:
        try:
            return self._shown.of(share)
        except DatabaseError:
            return {}

    def _nothing_yet(self, name: str) -> StationView:
        course = Course(self._kit.registry.stations[name], has_neighbours=False)
        return view_of(course, self._kit.settings.learn_days, self._kit.clock.wall_s())

    # ------------------------------------------------------------ status

    def status(self) -> RunnerStatus:
        """How the run is doing: sums over the fleet, and what is wrong in this process."""
        self._sum_up()
        own = [share.runner.status() for share in self._shares().values()]
        items, oldest_s, n_bytes, accepted, late, refused = self._sums
        database = next((s.database_words for s in own if not s.database_ok), None) or self._unreadable
        archive = next((s.archive_words for s in own if not s.archive_ok), None)
        journal = next((s.journal_words for s in own if not s.journal_ok), None) or self._door.last_error
        journal = journal or database  # where readings go is the database
        state = self._state([status.state for status in own])
        return RunnerStatus(
            state=state,
            words=self._words(state, [status.words for status in own if status.state == "waiting"]),
            journal_no=max((status.journal_no for status in own), default=0),
            done_no=min((status.done_no for status in own), default=0),
            backlog_items=items,
            backlog_s=oldest_s,
            journal_bytes=n_bytes,
            disk_free_bytes=shutil.disk_usage(self._kit.settings.data_folder).free,
            last_data_s=self._last_data_s(),
            database_ok=database is None,
            database_words=database,
            archive_ok=archive is None,
            archive_words=archive,
            journal_ok=journal is None,
            journal_words=journal,
            accepted=accepted,
            late=late,
            refused=refused,
            judged_rows=sum(status.judged_rows for status in own),
            clock_off_s=self._kit.clock.off_s(),
        )

    def _state(self, own: list[RunnerState]) -> RunnerState:
        if not self._is_running:
            return "stopped"
        if self._keeper.words is not None or self._keeper.troubles() or "waiting" in own:
            return "waiting"
        if self._keeper.table is None or "starting" in own:
            return "starting"
        return "replaying" if "replaying" in own else "running"

    def _words(self, state: RunnerState, waiting: list[str]) -> str:
        table = self._keeper.table
        told = self._keeper.words or next(iter([*self._keeper.troubles(), *waiting]), None)
        if told is not None:
            return f"waiting: {told}"
        if state == "stopped" or table is None:
            return "stopped" if state == "stopped" else "starting: becoming one of those that share the fleet"
        return self._of_fleet(table)

    def _of_fleet(self, table: Table) -> str:
        me = self._keeper.me
        shares = [holding for holding in table.holdings if holding.name.startswith(SHARE)]
        ids = {member.id for member in table.members}
        free = sum(holding.owner not in ids for holding in shares)
        mine = sum(holding.owner == me.id for holding in shares)
        words = (
            f"{me.name} judges {mine} of {len(shares)} shares of the stations, with {len(ids) - 1} other "
            f"process{'' if len(ids) == 2 else 'es'}"
        )
        if table.layout != me.layout:
            return (
                f"{me.name} waits: others run with another registry or version; it judges when they have "
                "been restarted too"
            )
        return f"{words}; {free} are being taken over" if free else words

    def _last_data_s(self) -> int | None:
        times = [share.last_data_s() for share in self._shares().values()]
        with contextlib.suppress(DatabaseError):
            times.append(self._shown.last_data_s())
        return max((at for at in times if at is not None), default=None)

    def _sum_up(self) -> None:
        if time.monotonic() - self._summed_at < FRESH_S:
            return
        self._summed_at = time.monotonic()
        try:
            counts = self._counts.source_counts()
            with self._kit.database.reading() as session:
                t = ShareInboxRow
                n, first_s, size = session.execute(
                    select(
                        func.coalesce(func.sum(t.n_items), 0), func.min(t.at_s),
                        func.coalesce(func.sum(func.octet_length(t.body)), 0),
                    )
                ).one()  # fmt: skip
                size += session.scalar(
                    select(func.coalesce(func.sum(func.octet_length(ShareRecordRow.body)), 0))
                )
        except SteadyheadError as exc:
            self._unreadable = str(exc)
            return
        self._unreadable = None
        own = [share.runner.status() for share in self._shares().values()]
        self._sums = (
            int(n) + sum(status.backlog_items for status in own),
            max(0.0, self._kit.clock.wall_s() - first_s) if first_s is not None else 0.0,
            int(size),
            sum(count.accepted for count in counts),
            sum(count.late for count in counts),
            sum(count.refused for count in counts),
        )


def _as_of(view: StationView, now_s: float) -> StationView:
    return replace(view, behind_s=None if view.last_s is None else max(0.0, now_s - view.last_s))
