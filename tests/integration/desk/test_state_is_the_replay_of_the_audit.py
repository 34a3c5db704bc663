"""Whatever engine, people and clock do in whatever order: the stored state is what the audit replays to.

The same run also holds: a replay of what the engine said changes nothing, an alert that holds is never in use
while its station is out or it is suppressed, numbers of changes only grow, no alert vanishes unseen.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from desk_bench import DAY, HOUR, Bench, verdict
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule, run_state_machine_as_test
from sqlalchemy import select

from steadyhead.alerts.lifecycle import EVENTS, STATES
from steadyhead.alerts.model import alert_id
from steadyhead.desk.audit import replay
from steadyhead.desk.holding import hold_on
from steadyhead.desk.ranking import HELD, STANDING, rank
from steadyhead.errors import DeskError, NotFoundError
from steadyhead.store.database import Database, open_database
from steadyhead.store.tables import AlertRow, AuditRow, RaiseRow

# Few of each, so that what happens often happens to the same alert.
STATIONS, ZONES = st.sampled_from(["elm", "fir"]), st.sampled_from(["north"])
CONDITIONS = st.sampled_from(["drift", "telemetry_loss"])
WHO, PICK = st.sampled_from(["ada", "bob"]), st.integers(0, 11)
WAITS = st.sampled_from([60, 5 * HOUR, DAY, 3 * DAY])
IN_USE = (*STANDING, "shelved")  # a latching alert gets out of these only by a reset
UNTIL = st.none() | st.sampled_from([60, HOUR, 2 * DAY])


class DeskMachine(RuleBasedStateMachine):
    """Rules are what can happen; each example has a database of its own."""

    def __init__(self, new_database: Callable[[], Database]) -> None:
        super().__init__()
        self.new_database = new_database
        self.said: list[tuple[str, tuple[Any, ...]]] = []  # by the engine, in order
        self.open: dict[tuple[str, str], str] = {}  # id under which a condition was raised and holds
        self.numbers: list[int] = []

    @initialize()
    def begin(self) -> None:
        self.bench = Bench(self.new_database(), latching=("drift",))
        self._engine("elm", "drift")
        self._engine("fir", "drift")

    def teardown(self) -> None:
        if hasattr(self, "bench"):
            self.bench.database.close()

    def _say(self, what: str, *words: Any) -> None:
        getattr(self.bench.desk, what)(*words)
        self.said.append((what, words))

    def _pick(self, number: int) -> str | None:
        # standing and held ones first: nothing can be done to what is over
        with self.bench.database.reading() as session:
            rows = session.execute(
                select(AlertRow.alert_id, AlertRow.state).order_by(AlertRow.rank.desc())
            ).all()
        ids = [name for name, state in rows if state != "normal"] or [name for name, _ in rows]
        return ids[number % len(ids)] if ids else None

    def _try(self, act: Callable[[], object]) -> None:
        """People may ask for what is not possible; then nothing may have changed."""
        before = self._lines()
        try:
            act()
        except (DeskError, NotFoundError):
            assert self._lines() == before

    def _lines(self) -> int:
        with self.bench.database.reading() as session:
            return len(session.scalars(select(AuditRow.id)).all())

    def _engine(self, station: str, condition: str) -> None:
        """Raise what is not open, clear what is."""
        name = self.open.pop((station, condition), None)
        self.bench.now += 60
        if name is None:
            self._say("raised", verdict(station, condition, raised_s=self.bench.now))
            self.open[station, condition] = alert_id(station, condition, self.bench.now)
        else:
            self._say("cleared", name, self.bench.now)

    @rule(station=STATIONS, condition=CONDITIONS)
    def engine_raises_or_clears(self, station: str, condition: str) -> None:
        self._engine(station, condition)

    @rule(number=PICK)
    def engine_clears(self, number: int) -> None:
        if self.open:
            self._engine(*sorted(self.open)[number % len(self.open)])

    @rule(since=PICK, times=st.integers(1, 2))
    def runner_starts_again_from_a_checkpoint(self, since: int, times: int) -> None:
        if not self.said:
            return
        before = self._everything()
        for _ in range(times):
            for what, words in self.said[since % len(self.said) :]:  # a checkpoint may be of any time
                getattr(self.bench.desk, what)(*words)
        assert self._everything() == before

    @rule(number=PICK, who=WHO)
    def somebody_acknowledges(self, number: int, who: str) -> None:
        if (picked := self._pick(number)) is not None:
            self._try(lambda: self.bench.desk.acknowledge(picked, who, "seen"))

    @rule(number=PICK, who=WHO)
    def somebody_resets(self, number: int, who: str) -> None:
        if (picked := self._pick(number)) is not None:
            self._try(lambda: self.bench.desk.reset(picked, who, "looked at"))

    @rule(number=PICK, who=WHO, after_s=st.sampled_from([-10, 60, HOUR, DAY, 8 * DAY]))
    def somebody_shelves(self, number: int, who: str, after_s: int) -> None:
        if (picked := self._pick(number)) is not None:
            self._try(lambda: self.bench.desk.shelve(picked, who, "later", self.bench.now + after_s))

    @rule(number=PICK, who=WHO)
    def somebody_unshelves(self, number: int, who: str) -> None:
        if (picked := self._pick(number)) is not None:
            self._try(lambda: self.bench.desk.unshelve(picked, who))

    @rule(station=st.none() | STATIONS, zone=st.none() | ZONES, condition=st.none() | CONDITIONS, after=UNTIL)
    def an_engineer_suppresses(self, station: Any, zone: Any, condition: Any, after: int | None) -> None:
        until_s = None if after is None else self.bench.now + after
        self._try(
            lambda: self.bench.desk.suppress(
                "eva", "works", station=station, zone=zone, condition=condition, until_s=until_s
            )
        )

    @rule(number=PICK)
    def an_engineer_releases(self, number: int) -> None:
        made = self.bench.desk.suppressions()
        if made:
            self.bench.desk.release(made[number % len(made)].id, "eva")

    @rule(station=STATIONS, after=UNTIL)
    def a_station_goes_out(self, station: str, after: int | None) -> None:
        until_s = None if after is None else self.bench.now + after
        self.bench.desk.out_of_service(station, "ada", "overhaul", until_s)

    @rule(station=STATIONS)
    def a_station_comes_back(self, station: str) -> None:
        self._try(lambda: self.bench.desk.return_to_service(station, "ada"))

    @rule(wait_s=WAITS)
    def time_passes(self, wait_s: int) -> None:
        self.bench.now += wait_s
        self.bench.desk.tick(self.bench.now)

    def _everything(self) -> tuple[Any, ...]:
        with self.bench.database.reading() as session:
            rows = session.execute(select(*AlertRow.__table__.c).order_by(AlertRow.alert_id)).all()
            raises = session.execute(
                select(*RaiseRow.__table__.c).order_by(RaiseRow.name, RaiseRow.at_s)
            ).all()
            return [tuple(r) for r in rows], [tuple(r) for r in raises], self._lines()  # type: ignore[return-value]

    @invariant()
    def the_stored_state_is_the_replay_of_the_audit(self) -> None:
        if not hasattr(self, "bench"):
            return
        with self.bench.database.reading() as session:
            lines = list(session.scalars(select(AuditRow).order_by(AuditRow.id)))
            rows = list(session.scalars(select(AlertRow)))
        assert replay(lines) == {row.alert_id: row.state for row in rows}
        last: dict[str, str] = {}
        for one in lines:
            if one.subject_kind == "alert":
                assert one.what in EVENTS
                assert one.from_state == last.get(one.subject, "normal")
                assert one.to_state in STATES
                last[one.subject] = str(one.to_state)

    @invariant()
    def rows_agree_with_themselves_and_with_what_holds(self) -> None:
        if not hasattr(self, "bench"):
            return
        with self.bench.database.reading() as session:
            rows = list(session.scalars(select(AlertRow)))
            for row in rows:
                assert row.document["state"] == row.state
                assert row.rank == rank(row.state, row.priority)
                assert row.is_true == (row.ended_s is None)
                assert (row.state == "shelved") == (row.shelved_until_s is not None)
                held = hold_on(session, row.station, row.zone, row.condition)
                if row.state in STANDING:
                    assert held is None
                if row.is_true:
                    assert row.state in (*STANDING, *HELD)  # what holds is never just gone
                if row.state in ("suppressed_by_design", "out_of_service"):
                    assert held is not None
        assert {(r.station, r.condition) for r in rows if r.is_true} == set(self.open)
        numbers = [change.change_no for change in self.bench.changes]
        assert numbers == sorted(set(numbers))
        assert numbers[: len(self.numbers)] == self.numbers
        self.numbers = numbers

    @invariant()
    def what_nobody_acknowledged_is_not_normal_unless_it_was_held_back(self) -> None:
        if not hasattr(self, "bench"):
            return
        with self.bench.database.reading() as session:
            lines = session.scalars(select(AuditRow).where(AuditRow.to_state == "normal"))
            for one in lines:
                assert one.from_state in (
                    "active_acknowledged", "latched_acknowledged", "returned_unacknowledged", "shelved",
                    "suppressed_by_design", "out_of_service", "normal",
                )  # fmt: skip
                if one.from_state == "returned_unacknowledged":
                    assert one.what == "acknowledge"
                if one.details.get("is_latching") and one.from_state in IN_USE:
                    assert (one.from_state, one.what) == ("latched_acknowledged", "reset")


@pytest.fixture
def new_database(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Callable[[], Database]]:
    """Makes a database with all tables each time it is called."""
    kind, n = request.param, 0
    made: list[str] = []
    server = None
    if kind == "sqlite":
        open_database(f"sqlite:///{tmp_path / 'template.db'}").close()
    else:
        server = request.getfixturevalue("postgres_server")
        server.execute("CREATE DATABASE desk_template")
        open_database(server.url("desk_template")).close()

    def make() -> Database:
        nonlocal n
        n += 1
        if server is None:
            path = tmp_path / f"{n}.db"
            shutil.copy(tmp_path / "template.db", path)
            return open_database(f"sqlite:///{path}")
        made.append(f"desk_{n}")
        server.execute(f"CREATE DATABASE desk_{n} TEMPLATE desk_template")
        return open_database(server.url(f"desk_{n}"))

    yield make
    if server is not None:
        for name in (*made, "desk_template"):
            server.execute(f"DROP DATABASE {name} WITH (FORCE)")


@pytest.mark.parametrize(
    ("new_database", "examples"), [("sqlite", 40), ("postgresql", 10)], indirect=["new_database"]
)
def test_the_stored_state_is_always_the_replay_of_the_audit(
    new_database: Callable[[], Database], examples: int
) -> None:
    run_state_machine_as_test(
        lambda: DeskMachine(new_database),
        settings=settings(
            max_examples=examples, stateful_step_count=25, deadline=None,
            suppress_health_check=list(HealthCheck),
        ),
    )  # fmt: skip
