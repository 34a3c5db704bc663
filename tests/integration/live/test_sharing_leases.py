"""Taking, losing and handing over on a real PostgreSQL, in any order, held against a model of a few lines."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future
from dataclasses import dataclass, field
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)
from sqlalchemy import delete, insert

from steadyhead.live.sharing.book import Book, add_holdings
from steadyhead.live.sharing.fence import Fence, FencedDatabase, LostHoldingError
from steadyhead.live.sharing.keeper import Keeper
from steadyhead.live.sharing.settings import SharingSettings
from steadyhead.live.sharing.watch import Holding, Member, Table, Watch, share_name
from steadyhead.store.database import Database, open_database
from steadyhead.store.tables import HoldingRow, MemberRow, SharingRow

LEASE_S, RENEW_S = 12.0, 2.0
N_SHARES = 5
NAMES = [share_name(n) for n in range(N_SHARES)] + ["house", "notify"]


class AtOnce(Executor):
    """Does what it is given in the thread that gives it."""

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        done: Future[Any] = Future()
        done.set_result(fn(*args, **kwargs))
        return done


@dataclass
class Thing:
    """What is held, and the model's word for it."""

    fence: Fence
    model: dict[str, Fence | None]
    is_open: bool = False

    def start(self) -> None:
        self.is_open = True

    def stop(self) -> None:
        self.is_open = False
        if self.model.get(self.fence.name) == self.fence:
            self.model[self.fence.name] = None

    def abandon(self) -> None:
        self.is_open = False


@dataclass
class Process:
    """One process; ``known`` are all fences it was ever given."""

    keeper: Keeper
    known: list[Fence] = field(default_factory=list)


@pytest.fixture(scope="module")
def shared(postgres_server: Any) -> Iterator[Database]:
    postgres_server.execute("CREATE DATABASE leases")
    database = open_database(postgres_server.url("leases"))
    yield database
    database.close()


class Machine(RuleBasedStateMachine):
    """model : the fence under which each holding may be written, None if nobody may."""

    shared: Database

    def __init__(self) -> None:
        super().__init__()
        self.now_s = 1000.0
        self.model: dict[str, Fence | None] = dict.fromkeys(NAMES)
        self.highest: dict[str, int] = dict.fromkeys(NAMES, 0)
        self.signed_at_s: dict[str, float] = {}
        self.processes: list[Process] = []
        self.wrong: list[str] = []
        with self.shared.session() as session:
            for one in (MemberRow, HoldingRow, SharingRow):
                session.execute(delete(one))
            session.execute(insert(SharingRow).values(key="layout", value="L"))
            add_holdings(session, NAMES)

    @invariant()
    def nothing_was_taken_wrongly(self) -> None:
        assert self.wrong == []

    def _taken(self, fence: Fence) -> None:
        """The model of taking: from nobody, or from one that has given no sign for a lease."""
        before = self.model[fence.name]
        if before is not None and self.now_s - self.signed_at_s[before.owner] < LEASE_S:
            self.wrong.append(f"{fence} was taken from {before}, whose process lives")
        if fence.fence <= self.highest[fence.name]:
            self.wrong.append(f"{fence} is no higher than before")
        self.highest[fence.name] = fence.fence
        self.model[fence.name] = fence

    def _round(self, process: Process) -> None:
        self.signed_at_s[process.keeper.me.id] = self.now_s
        process.keeper.round()
        self.signed_at_s[process.keeper.me.id] = self.now_s

    @precondition(lambda self: len(self.processes) < 4)
    @rule()
    def start(self) -> None:
        def make(fence: Fence) -> Thing:
            self._taken(fence)
            process.known.append(fence)
            return Thing(fence, self.model)

        keeper = Keeper(
            Book(self.shared, f"p{len(self.processes)}", "L"), LEASE_S, RENEW_S, make, lambda _: True,
            lambda: True, steady=lambda: self.now_s, pool=AtOnce(),
        )  # fmt: skip
        process = Process(keeper)
        self.processes.append(process)
        self._round(process)

    @precondition(lambda self: self.processes)
    @rule(data=st.data(), passes_s=st.sampled_from([0.0, RENEW_S, 2 * RENEW_S, LEASE_S / 2 + 0.1]))
    def one_looks(self, data: st.DataObject, passes_s: float) -> None:
        self.now_s += passes_s
        self._round(data.draw(st.sampled_from(self.processes)))

    @precondition(lambda self: self.processes)
    @rule(n=st.integers(1, 8))
    def all_look_in_turn(self, n: int) -> None:
        for _ in range(n):
            self.now_s += RENEW_S
            for process in self.processes:
                self._round(process)

    @rule(passes_s=st.sampled_from([1.0, LEASE_S, 10 * LEASE_S]))
    def nobody_looks(self, passes_s: float) -> None:
        self.now_s += passes_s

    @precondition(lambda self: self.processes)
    @rule(data=st.data())
    def kill(self, data: st.DataObject) -> None:
        self.processes.remove(data.draw(st.sampled_from(self.processes)))

    @precondition(lambda self: self.processes)
    @rule(data=st.data())
    def stop_in_order(self, data: st.DataObject) -> None:
        process = data.draw(st.sampled_from(self.processes))
        self.processes.remove(process)
        process.keeper.stop()
        for fence in self.model.values():
            assert fence is None or fence not in process.known

    @precondition(lambda self: any(process.known for process in self.processes))
    @rule(data=st.data())
    def write(self, data: st.DataObject) -> None:
        """Under any fence it was ever given; those it has lost without knowing are among them."""
        process = data.draw(st.sampled_from([p for p in self.processes if p.known]))
        fence = data.draw(st.sampled_from(process.known))
        try:
            with FencedDatabase(self.shared, fence).session():
                went_through = True
        except LostHoldingError:
            went_through = False
        assert went_through == (self.model[fence.name] == fence)

    @precondition(lambda self: self.processes)
    @rule()
    def after_the_promised_time_all_is_held_and_shared_out(self) -> None:
        until_s = self.now_s + SharingSettings(lease_s=LEASE_S, renew_s=RENEW_S).noticed_within_s
        while self.now_s <= until_s:
            for process in self.processes:
                self._round(process)
            self.now_s += RENEW_S
        alive = {process.keeper.me.id for process in self.processes}
        assert {fence.owner if fence else None for fence in self.model.values()} <= alive
        for _ in range(3):  # hand over, take, look
            for process in self.processes:
                self._round(process)
        held = [self.model[name] for name in NAMES[:N_SHARES]]
        owners = [fence.owner for fence in held if fence is not None]
        assert len(owners) == N_SHARES
        assert max(owners.count(one) for one in alive) <= -(-N_SHARES // len(alive))
        for process in self.processes:
            open_now = {name: thing.fence for name, thing in process.keeper.things().items()}
            owned = {n: f for n, f in self.model.items() if f and f.owner == process.keeper.me.id}
            assert open_now == owned


def test_any_order_of_starts_kills_pauses_and_stops(shared: Database):
    Machine.shared = shared
    run_state_machine_as_test(
        Machine,
        settings=settings(
            max_examples=15, stateful_step_count=25, deadline=None, derandomize=True,
            phases=[Phase.explicit, Phase.generate],
            suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
        ),
    )  # fmt: skip


def table(beats: dict[str, int], owners: dict[int, tuple[str, int]], layout: str = "L") -> Table:
    members = tuple(Member(name, name, "L", beat) for name, beat in beats.items())
    shares = tuple(
        Holding(share_name(n), *owners.get(n, (None, 0)))  # type: ignore[arg-type]
        for n in range(4)
    )
    return Table(members, shares, layout)


def test_a_clock_of_another_machine_plays_no_part_and_a_pause_of_the_watcher_counts_for_nobody():
    watch = Watch(12.0)
    me = Member("me", "me", "L", 0)
    held = {0: ("other", 1), 1: ("other", 1), 2: ("me", 1), 3: ("me", 1)}
    for n in range(6):
        assert watch.look(table({"me": n, "other": 7}, held), me, 100.0 + 2 * n).take == ()
    # the watcher was paused or the database was away: what it did not see, it does not count
    for n in range(6):
        assert watch.look(table({"me": n, "other": 7}, held), me, 500.0 + 2 * n).take == ()
    found = watch.look(table({"me": 9, "other": 7}, held), me, 512.0)
    assert [member.id for member in found.given_up] == ["other"]
    assert [holding.name for holding in found.take] == [share_name(0), share_name(1)]


def test_while_others_judge_by_another_registry_nothing_is_taken():
    me = Member("me", "me", "M", 0)
    other = Member("other", "other", "L", 3)
    shares = (Holding(share_name(0), "other", 4), Holding(share_name(1), None, 2))
    found = Watch(12.0).look(Table((me, other), shares, "L"), me, 0.0)
    assert (found.take, found.adopt) == ((), False)
    found = Watch(12.0).look(Table((me,), shares, "L"), me, 0.0)
    assert found.adopt
    assert {holding.name for holding in found.take} == {share_name(0), share_name(1)}


def test_with_the_defaults_a_dead_process_is_noticed_well_within_30_s():
    sharing = SharingSettings()
    assert sharing.noticed_within_s == 16.0  # 2 + 12 + 2; the rest of 30 s is for reading checkpoints
    with pytest.raises(ValueError, match="raise it, or a process that lives"):
        SharingSettings(lease_s=5, renew_s=2)
