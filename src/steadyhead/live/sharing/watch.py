"""Who lives and what is free, from what a process has seen of the others; no clock but its own steady one.

Each process makes its ``beat`` grow every few seconds. The others do not ask *when* that was, which clocks
of different machines would answer differently, but how long by their own steady clock the number has stood
still. A time in which the watcher itself did not look (it was paused, the database was away) counts for
nobody: after it everything is watched anew.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

SHARE = "stations:"
"""Holdings whose names begin so are shares of the stations; all others are tasks that exist once."""


def share_name(number: int) -> str:
    """Name of the holding of a share."""
    return f"{SHARE}{number:04d}"


@dataclass(frozen=True, slots=True)
class Member:
    """A process as its row has it."""

    id: str
    name: str
    layout: str
    beat: int


@dataclass(frozen=True, slots=True)
class Holding:
    """Something that one process at a time may hold."""

    name: str
    owner: str | None
    fence: int


@dataclass(frozen=True, slots=True)
class Table:
    """All at one moment. layout : how the stations are divided now, as a digest."""

    members: tuple[Member, ...]
    holdings: tuple[Holding, ...]
    layout: str


@dataclass(frozen=True, slots=True)
class Outlook:
    """What a look has shown.

    alive : members that are not given up; given_up : the others
    take : what is to be taken now; hand_over : own shares that are too many, for others to take
    adopt : the stations may be divided as this process has it, since nobody judges by another division; first
        ``take`` is to be freed then
    """

    alive: tuple[Member, ...]
    given_up: tuple[Member, ...]
    take: tuple[Holding, ...]
    hand_over: tuple[Holding, ...]
    adopt: bool = False


class Watch:
    """Remembers since when the beat of each member has stood still.

    lease_s : how long it may
    """

    def __init__(self, lease_s: float) -> None:
        self._lease_s = lease_s
        self._seen: dict[str, tuple[int, float]] = {}
        self._looked_at_s = float("-inf")

    def look(self, table: Table, me: Member, now_s: float) -> Outlook:
        """Take note of a look at ``now_s`` of a steady clock, and say what follows from it."""
        if now_s - self._looked_at_s > self._lease_s / 2:
            self._seen = {}
        self._looked_at_s = now_s
        seen = {}
        for member in table.members:
            before = self._seen.get(member.id)
            is_same = before is not None and before[0] == member.beat
            seen[member.id] = before if before is not None and is_same else (member.beat, now_s)
        self._seen = seen
        alive = tuple(m for m in table.members if m.id == me.id or now_s - seen[m.id][1] < self._lease_s)
        return self._outlook(table, me, alive)

    def _outlook(self, table: Table, me: Member, alive: tuple[Member, ...]) -> Outlook:
        layouts = {member.id: member.layout for member in alive}
        given_up = tuple(member for member in table.members if member.id not in layouts)
        shares = [holding for holding in table.holdings if holding.name.startswith(SHARE)]
        free = tuple(holding for holding in shares if holding.owner not in layouts)
        tasks = tuple(
            holding
            for holding in table.holdings
            if not holding.name.startswith(SHARE) and holding.owner not in layouts
        )
        if table.layout != me.layout:
            judged_by = {layouts[h.owner] for h in shares if h.owner in layouts}
            is_over = judged_by <= {me.layout}
            return Outlook(alive, given_up, free if is_over else tasks, (), adopt=is_over)
        mine = [holding for holding in shares if holding.owner == me.id]
        fair = _fair(len(shares), sum(layout == me.layout for layout in layouts.values()))
        room = max(0, fair - len(mine))
        return Outlook(alive, given_up, (*free[:room], *tasks), tuple(mine[fair:]))


def _fair(n_shares: int, n_alive: int) -> int:
    return -(-n_shares // max(n_alive, 1))


def lost(table: Table, me: str, held: Iterable[Holding]) -> list[Holding]:
    """What was held and has another owner or another fence by now."""
    now = {holding.name: holding for holding in table.holdings}
    return [h for h in held if (n := now.get(h.name)) is None or (n.owner, n.fence) != (me, h.fence)]
