"""What a check says: findings, and the figures of each tag and station."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import Any, Literal

from steadyhead.config import Role

Kind = Literal[
    "unreadable",
    "swapped",
    "outlet_above_inlet",
    "unit",
    "mixed_units",
    "absolute",
    "sign",
    "clock",
    "future",
    "frozen",
    "rate",
    "reporting",
    "gaps",
    "quality",
]


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that looks wrong.

    role : of the tag concerned, or None for the station; met : what the sample shows; do : what to change
    """

    kind: Kind
    station: str
    role: Role | None
    tag: str
    met: str
    do: str

    def __str__(self) -> str:
        where = f"{self.station}, {self.role} ({self.tag})" if self.role else self.station
        return f"{where}: {self.met}; {self.do}"


@dataclass(frozen=True, slots=True)
class TagFigures:
    """One tag that was matched.

    every_s : usual time between its readings [s]; longest_gap_s : longest time without one [s]
    low, middle, high : 1st, 50th and 99th percentile in the declared unit; NaN where there is no value
    good, uncertain, refused : shares of all readings met
    """

    role: Role
    tag: str
    unit: str
    n: int
    every_s: float
    longest_gap_s: float
    low: float
    middle: float
    high: float
    good: float
    uncertain: float
    refused: float


@dataclass(frozen=True, slots=True)
class LooseTag:
    """A tag that is there and belongs to nothing yet; ``guess`` is a role its name and values suggest."""

    tag: str
    n: int
    low: float
    middle: float
    high: float
    guess: str | None = None


@dataclass(slots=True)
class StationCheck:
    """What the sample says of one station.

    from_s, to_s : what was looked at [s since 1970 UTC]; days : of history there is to learn from
    missing : declared tags that are nowhere in the sample; unjudged : what could not be judged, and why
    """

    station: str
    tags: list[TagFigures] = field(default_factory=list)
    missing: list[str] = field(default_factory=list)
    loose: list[LooseTag] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    unjudged: list[str] = field(default_factory=list)
    from_s: int | None = None
    to_s: int | None = None
    days: float = 0.0
    history: str = ""
    proposed: str = ""


@dataclass(slots=True)
class Report:
    """All stations of a sample; ``loose`` are tags that no station's patterns match."""

    source: str
    stations: list[StationCheck] = field(default_factory=list)
    loose: list[LooseTag] = field(default_factory=list)
    proposed: str = ""

    @property
    def findings(self) -> list[Finding]:
        """Findings of all stations, in their order."""
        return [finding for station in self.stations for finding in station.findings]

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON values; a number that is not known is null."""
        plain: dict[str, Any] = _plain(asdict(self))
        return plain


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _plain(part) for key, part in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(part) for part in value]
    if isinstance(value, float):
        return None if value != value else float(f"{value:.6g}")
    return value
