"""What the runner says of itself and of each station, for pages and metrics."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from steadyhead.profile.model import Profile

RunnerState = Literal["starting", "replaying", "running", "waiting", "stopped"]

Regime = Literal[
    "no_readings",
    "silent",
    "learning",
    "regulating",
    "wide_open",
    "starved",
    "shut",
    "unsettled",
]

REGIME_WORDS: dict[Regime, str] = {
    "no_readings": "no readings yet",
    "silent": "no outlet pressure now",
    "learning": "learning",
    "regulating": "regulating",
    "wide_open": "wide open",
    "starved": "inlet too low to regulate",
    "shut": "shut, no flow",
    "unsettled": "outlet away from what was learned",
}


@dataclass(frozen=True, slots=True)
class RunnerStatus:
    """How the live run is doing.

    state : "waiting" means that the database or the archive cannot be written; readings are still accepted
    words : one sentence for people
    journal_no, done_no : last record accepted, last record judged
    backlog_items : readings accepted and not judged yet; backlog_s : listening time between them [s]
    journal_bytes : size of the journal on disk; disk_free_bytes : room left where it lies
    last_data_s : latest data time of all stations, or None
    database_ok, archive_ok, journal_ok : whether the last try succeeded, each with what was said if not
    accepted, late, refused : readings since the data folder was made
    judged_rows : rows given to the engine since the start
    clock_off_s : wall clock minus the steady clock; not near 0 after somebody has set the clock
    """

    state: RunnerState
    words: str
    journal_no: int
    done_no: int
    backlog_items: int
    backlog_s: float
    journal_bytes: int
    disk_free_bytes: int
    last_data_s: int | None
    database_ok: bool
    database_words: str | None
    archive_ok: bool
    archive_words: str | None
    journal_ok: bool
    journal_words: str | None
    accepted: int
    late: int
    refused: int
    judged_rows: int
    clock_off_s: float


@dataclass(frozen=True, slots=True)
class Learning:
    """How far a station without a profile is.

    days : of readings there are; needs_days : as set; words : "learning: needs 12 more days"
    from_s, to_s : span that would be learned from now, or None while it is too short
    """

    days: float
    needs_days: int
    words: str
    from_s: int | None
    to_s: int | None

    @property
    def can_learn(self) -> bool:
        """Whether there are enough days."""
        return self.from_s is not None


@dataclass(frozen=True, slots=True)
class StationView:
    """One station now, in working units.

    last_s : time of the newest reading, judged or not, seconds since 1970-01-01 UTC, or None
    inlet_kpa ... command_kpa : newest value of each; None where there never was one
    expected_kpa : outlet that the profile expects at the last row judged, some minutes before, or None
    regime, words : what the station is doing
    profile_version : None while there is no profile; learning : then how far it is
    behind_s : how far its readings lag behind the clock [s], or None
    """

    station: str
    zone: str | None
    last_s: int | None
    inlet_kpa: float | None
    outlet_kpa: float | None
    flow_lps: float | None
    command_kpa: float | None
    expected_kpa: float | None
    regime: Regime
    words: str
    profile_version: str | None
    learning: Learning | None
    behind_s: float | None


@dataclass(frozen=True, slots=True)
class Learned:
    """The outcome of learning: the profile now in use, the one it replaces, and what differs.

    changes : (what, before, after) in the registry's display units; empty for a first profile
    facts : (what, text) of what was learned; withheld : (judgement, why); from the row at ``from_s`` on
    """

    profile: Profile
    replaced: Profile | None
    facts: tuple[tuple[str, str], ...]
    withheld: tuple[tuple[str, str], ...]
    changes: tuple[tuple[str, str, str], ...]
