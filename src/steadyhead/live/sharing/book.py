"""Members and holdings in the database: to join, give a sign, take, hand over and leave."""

from __future__ import annotations

import time
import uuid
from collections.abc import Iterable

from sqlalchemy import delete, insert, select, text, update
from sqlalchemy.orm import Session

from steadyhead.live.sharing.fence import Fence
from steadyhead.live.sharing.watch import SHARE, Holding, Member, Table
from steadyhead.store.database import Database
from steadyhead.store.tables import HoldingRow, MemberRow, SharingRow

LAYOUT = "layout"
WAIT_MS = 1000  # for a row that somebody is writing under; the next look tries again


class Book:
    """One process in the tables. Every method is one transaction and raises DatabaseError."""

    def __init__(self, database: Database, name: str, layout: str) -> None:
        self._database = database
        self.me = Member("", name, layout, 0)

    def join(self) -> Member:
        """Become a member, under an id that was never used before."""
        me = Member(uuid.uuid4().hex, self.me.name, self.me.layout, 0)
        with self._database.session() as session:
            session.execute(
                insert(MemberRow).values(
                    id=me.id, name=me.name, layout=me.layout, beat=0, beat_s=int(time.time())
                )
            )
        self.me = me
        return me

    def beat(self) -> tuple[bool, Table]:
        """Give a sign and look. False if the others have given this process up: it has to join anew."""
        with self._database.session() as session:
            sign = update(MemberRow).where(MemberRow.id == self.me.id)
            found = session.execute(sign.values(beat=MemberRow.beat + 1, beat_s=int(time.time())))
            return bool(found.rowcount), _table(session)  # type: ignore[attr-defined]

    def look(self) -> Table:
        """Both tables as they are."""
        with self._database.reading() as session:
            return _table(session)

    def take(self, holding: Holding, owner: Member | None) -> Fence | None:
        """Take what was free, or what a member held who is given up; None if it is not so any more.

        owner : that member as it was last seen, None if its row is gone or there was none
        """
        with self._database.session() as session:
            _wait_little(session)
            if owner is not None and not _is_still(session, owner):
                return None
            if session.get(MemberRow, self.me.id, with_for_update={"read": True}) is None:
                return None
            if holding.name.startswith(SHARE) and not _is_layout(session, self.me.layout):
                return None
            row = session.get(HoldingRow, holding.name, with_for_update=True)
            if row is None or (row.owner, row.fence) != (holding.owner, holding.fence):
                return None
            row.owner, row.fence = self.me.id, row.fence + 1
            return Fence(holding.name, self.me.id, row.fence)

    def free(self, holding: Holding, owner: Member | None) -> None:
        """As ``take``, for nobody."""
        with self._database.session() as session:
            _wait_little(session)
            if owner is None or _is_still(session, owner):
                session.execute(
                    update(HoldingRow)
                    .where(HoldingRow.name == holding.name, HoldingRow.fence == holding.fence)
                    .values(owner=None, fence=HoldingRow.fence + 1)
                )

    def hand_over(self, fence: Fence) -> None:
        """Let others take what this process has ended."""
        with self._database.session() as session:
            session.execute(
                update(HoldingRow)
                .where(
                    HoldingRow.name == fence.name,
                    HoldingRow.owner == fence.owner,
                    HoldingRow.fence == fence.fence,
                )
                .values(owner=None, fence=HoldingRow.fence + 1)
            )

    def forget(self, member: Member) -> None:
        """Strike out a member who is given up, if nothing is his and he has given no sign since."""
        with self._database.session() as session:
            _wait_little(session)
            if not _is_still(session, member):
                return
            asked = select(HoldingRow.name).where(HoldingRow.owner == member.id).limit(1)
            if session.scalar(asked) is None:
                session.execute(delete(MemberRow).where(MemberRow.id == member.id))

    def retire(self) -> None:
        """Not be counted on any more: the others take what is handed over, one by one."""
        with self._database.session() as session:
            session.execute(update(MemberRow).where(MemberRow.id == self.me.id).values(layout=""))

    def leave(self) -> None:
        """Be no member any more; what is still held is free at once."""
        with self._database.session() as session:
            session.execute(delete(MemberRow).where(MemberRow.id == self.me.id))


def add_holdings(session: Session, names: Iterable[str]) -> None:
    """Make holdings that nobody holds yet; those that are there stay as they are."""
    there = set(session.scalars(select(HoldingRow.name)))
    new = [{"name": name, "owner": None, "fence": 0} for name in names if name not in there]
    if new:
        session.execute(insert(HoldingRow), new)


def _table(session: Session) -> Table:
    members = [
        Member(row.id, row.name, row.layout, row.beat)
        for row in session.scalars(select(MemberRow).order_by(MemberRow.id))
    ]
    holdings = [
        Holding(row.name, row.owner, row.fence)
        for row in session.scalars(select(HoldingRow).order_by(HoldingRow.name))
    ]
    row = session.get(SharingRow, LAYOUT)
    return Table(tuple(members), tuple(holdings), "" if row is None else row.value)


def _is_layout(session: Session, layout: str) -> bool:
    """Whether the stations are divided so; it stays until this transaction ends."""
    row = session.get(SharingRow, LAYOUT, with_for_update={"read": True})
    return row is not None and row.value == layout


def _is_still(session: Session, member: Member) -> bool:
    """Whether a member has given no sign since he was seen; he cannot until this transaction ends."""
    row = session.get(MemberRow, member.id, with_for_update=True)
    return row is not None and row.beat == member.beat


def _wait_little(session: Session) -> None:
    session.execute(text(f"SET LOCAL lock_timeout = {WAIT_MS}"))
