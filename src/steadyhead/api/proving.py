"""Prove a repair: the readings around it, from the archive, handed to the desk."""

from __future__ import annotations

from pathlib import Path

from steadyhead.config.model import Station
from steadyhead.desk.views import ProofView
from steadyhead.errors import NotFoundError
from steadyhead.live.room import Room
from steadyhead.profile.model import Profile
from steadyhead.store.profiles import kept_profiles, load_profile
from steadyhead.store.tables import AlertRow, FindingRow

DAY_S = 86_400
BEFORE_S = 28 * DAY_S
"""Readings from before the alert began that are compared with; four weeks hold every day of the week."""
MOST_ROWS = 3_000_000  # 35 days of seconds; the span before is cut, since what came after counts more


def prove(room: Room, finding_id: int, who: str) -> ProofView:
    """Compare regulation before and after the repair of a finding, and keep the answer.

    Raises NotFoundError, DeskError if no repair is recorded, ProfileError if the station was never learned,
    ArchiveError or DatabaseError.
    """
    with room.database.reading() as session:
        finding = session.get(FindingRow, finding_id)
        if finding is None:
            raise NotFoundError(f"there is no finding {finding_id}; list them with GET /api/v1/findings")
        alert = None if finding.alert_id is None else session.get(AlertRow, finding.alert_id)
        name = finding.station
        to_s = int(room.clock())
        since_s = alert.began_s if alert is not None else finding.repaired_s or finding.at_s
        version = None if alert is None else alert.profile_version
    station = room.registry.stations.get(name)
    if station is None:
        raise NotFoundError(f"station {name} of finding {finding_id} is not in the registry any more")
    profile = before_the_fault(room.profiles, station, version, since_s)
    from_s = max(since_s - BEFORE_S, to_s - MOST_ROWS * station.step_s)
    readings = room.archive.read(name, from_s, to_s)
    return room.desk.prove(finding_id, who, readings, profile)


def before_the_fault(folder: Path, station: Station, version: str | None, since_s: int) -> Profile:
    """The profile that was in force before the fault: one that may have been replaced since.

    version : by which the alert was raised, or None without an alert; since_s : when the fault began, or the
        repair if that is not known
    What was learned later may have learned the fault. Raises ProfileError if the station was never learned.
    """
    in_use = load_profile(folder, station.name, station.step_s)
    if in_use.version == version:
        return in_use
    kept = kept_profiles(folder, station.name, station.step_s)
    of_alert = [profile for profile in kept if profile.version == version]
    if of_alert:
        return of_alert[0]
    if in_use.to_s <= since_s:
        return in_use
    earlier = [profile for profile in kept if profile.to_s <= since_s]
    return earlier[0] if earlier else in_use  # learned later: the proof says that it proves nothing
