"""How the stations are divided into shares, and how a database of one process becomes one of several.

A zone is one thing and stays in one share. All processes have to divide alike, and to judge alike: the digest
of the division covers what the registry says of each station and the version of the program. A process with
another digest waits until nobody judges by the old one; then it divides anew, and readings that were accepted
and not yet judged are filed once more, for the shares their stations belong to now.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import uuid
import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.metadata import version

import numpy as np
from sqlalchemy import delete, func, insert, select, text
from sqlalchemy.orm import Session

from steadyhead.config import Registry, Station
from steadyhead.errors import DatabaseError
from steadyhead.live.checkpoint import AT_A_TIME, FORM, FormError
from steadyhead.live.checkpoint import from_bytes as from_checkpoint
from steadyhead.live.reports import Reports, from_bytes
from steadyhead.live.sharing.book import LAYOUT, add_holdings
from steadyhead.live.sharing.journal import AGAIN
from steadyhead.live.sharing.watch import SHARE, share_name
from steadyhead.store.database import Database
from steadyhead.store.tables import (
    CheckpointRow,
    HoldingRow,
    MemberRow,
    ShareInboxRow,
    ShareRecordRow,
    SharingRow,
)
from steadyhead.types import BoolArray

FLEET = "id"
SHARES = "shares"
PLACES = "places"


@dataclass(frozen=True, slots=True)
class Plan:
    """The division of a registry's stations. share_of : by station; digest : of all that has to be alike."""

    n_shares: int
    share_of: Mapping[str, int]
    digest: str

    def part_of(self, registry: Registry, share: int) -> Registry:
        """The registry with the stations of a share only, none for a share that has none."""
        own = {name: one for name, one in registry.stations.items() if self.share_of[name] == share}
        return registry.model_copy(update={"stations": own})


def plan_of(registry: Registry, n_shares: int) -> Plan:
    """Divide the stations, the same on every machine."""
    digest = hashlib.sha256(
        f"{version('steadyhead')} {n_shares} {registry.settings.model_dump_json()}".encode()
    )
    for name in sorted(registry.stations):
        # where its log files lie may differ from machine to machine
        digest.update(f"{name} {registry.stations[name].model_dump_json(exclude={'sources'})}".encode())
    share_of = {name: _share(station, n_shares) for name, station in registry.stations.items()}
    return Plan(n_shares, share_of, digest.hexdigest())


def set_up(database: Database, plan: Plan, registry: Registry, tasks: tuple[str, ...]) -> str:
    """Make what is missing for a shared fleet; returns the id of the fleet.

    Raises DatabaseError if the fleet is divided into another number of shares.
    """
    names = [share_name(number) for number in range(plan.n_shares)]
    with database.session() as session:
        session.execute(text("LOCK TABLE sharing IN EXCLUSIVE MODE"))  # two that start at once
        found = {row.key: row.value for row in session.scalars(select(SharingRow))}
        if not found:
            found = {FLEET: uuid.uuid4().hex, SHARES: str(plan.n_shares), LAYOUT: plan.digest}
            session.execute(insert(SharingRow), [{"key": k, "value": v} for k, v in found.items()])
            _note_places(session, plan)
            _go_on_from_one_process(session, registry)
        if found[SHARES] != str(plan.n_shares):
            raise DatabaseError(
                f"{database.url}: its stations are divided into {found[SHARES]} shares, the settings say "
                f"{plan.n_shares}; write sharing.shares: {found[SHARES]}"
            )
        add_holdings(session, [*names, *tasks])
        return found[FLEET]


def adopt(database: Database, plan: Plan) -> bool:
    """Divide the stations by this plan from now on; False if somebody judges by another one.

    What was accepted and is not in a checkpoint is filed once more.
    """
    with database.session() as session:
        row = session.get_one(SharingRow, LAYOUT, with_for_update=True)
        held = select(HoldingRow.name).join(MemberRow, MemberRow.id == HoldingRow.owner)
        if row.value == plan.digest:
            return True
        if session.scalar(held.where(HoldingRow.name.startswith(SHARE)).limit(1)) is not None:
            return False
        _file_again(session, plan)
        _note_places(session, plan)
        row.value = plan.digest
        return True


def places_of(database: Database) -> dict[str, list[int]]:
    """The share of each station, and after it those that it belonged to before; the latest first.

    What was archived of it stays with the share that it belonged to. Raises DatabaseError.
    """
    with database.reading() as session:
        row = session.get(SharingRow, PLACES)
        return {} if row is None else json.loads(row.value)


def _note_places(session: Session, plan: Plan) -> None:
    row = session.get(SharingRow, PLACES)
    if row is None:
        row = SharingRow(key=PLACES, value="{}")
        session.add(row)
    places: dict[str, list[int]] = json.loads(row.value)
    for name, share in plan.share_of.items():
        places[name] = [share, *(other for other in places.get(name, ()) if other != share)]
    row.value = json.dumps(places, separators=(",", ":"))


def _share(station: Station, n_shares: int) -> int:
    name = f"station {station.name}" if station.zone is None else f"zone {station.zone}"
    return zlib.crc32(name.encode()) % n_shares


def _go_on_from_one_process(session: Session, registry: Registry) -> None:
    """Number records and count listening time on from what checkpoints of a process that ran alone hold."""
    last_no = session.scalar(select(func.max(CheckpointRow.journal_no)))
    if last_no is None:
        return
    session.execute(
        text("SELECT setval(pg_get_serial_sequence('share_records', 'no'), :no)"), {"no": last_no + 1}
    )
    listened_s = 0.0
    for row in session.scalars(select(CheckpointRow).execution_options(yield_per=AT_A_TIME)):
        station = registry.stations.get(row.station)
        if station is None or row.form != FORM:
            continue
        with contextlib.suppress(FormError):
            mark = from_checkpoint(row.state, station, has_neighbours=False).mark
            listened_s = max(listened_s, *np.nan_to_num(mark[["heard_s", "delivered_s"]].tolist()[0]))
    _keep_listened(session, listened_s)


def _keep_listened(session: Session, listened_s: float) -> None:
    session.execute(
        insert(ShareRecordRow).values(
            share=0, kind="mark", listened_s=listened_s, latest_s=0.0, earliest_s=0.0, n_items=0, body=b""
        )
    )


def _file_again(session: Session, plan: Plan) -> None:
    """Turn records that no checkpoint holds into readings that wait, then divide anew all that wait."""
    saved = session.execute(select(CheckpointRow.station, CheckpointRow.journal_no))
    held = {row[0]: row[1] for row in saved}
    listened_s = session.scalar(select(func.max(ShareRecordRow.listened_s))) or 0.0
    last_id = session.scalar(select(func.max(ShareInboxRow.id))) or 0
    records = select(ShareRecordRow).where(ShareRecordRow.kind == "readings").order_by(ShareRecordRow.no)
    for record in session.scalars(records.execution_options(yield_per=AT_A_TIME)):
        reports = from_bytes(record.body)
        is_new = np.array([held.get(name, 0) < record.no for name in reports.names], dtype=np.bool_)
        _file(session, reports, is_new, plan, ("", AGAIN, int(record.latest_s)))
    waiting = select(ShareInboxRow).where(ShareInboxRow.id <= last_id).order_by(ShareInboxRow.id)
    for row in session.scalars(waiting.execution_options(yield_per=AT_A_TIME)):
        reports = from_bytes(row.body)
        is_new = np.ones(len(reports.names), dtype=np.bool_)
        _file(session, reports, is_new, plan, (row.source, row.kind, row.at_s))
    session.execute(delete(ShareRecordRow))
    session.execute(delete(ShareInboxRow).where(ShareInboxRow.id <= last_id))
    _keep_listened(session, listened_s)


def _file(
    session: Session, reports: Reports, is_new: BoolArray, plan: Plan, whence: tuple[str, str, int]
) -> None:
    """Put the reports of these stations into the inboxes of their shares; whence : source, kind, time [s]."""
    shares = np.array([plan.share_of.get(name, -1) for name in reports.names], dtype=np.int64)
    shares = np.where(is_new, shares, -1)
    source, kind, at_s = whence
    for share in np.unique(shares[shares >= 0]):
        own = reports.only(shares[reports.which] == share)
        session.execute(
            insert(ShareInboxRow).values(
                share=int(share), source=source, kind=kind, at_s=at_s, n_items=len(own), body=own.to_bytes()
            )
        )
