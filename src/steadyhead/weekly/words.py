"""Numbers of the report in the units and the date language that were chosen."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

from babel import Locale
from babel.dates import format_date, format_datetime, format_skeleton

from steadyhead.diagnosis.phrases import duration_text
from steadyhead.units import UnitSystem
from steadyhead.weekly.model import Change, Effort, Figure, Unit

CHANGE_WORDS: dict[Change, str] = {
    "worse": "worse", "better": "better", "alike": "as before", "unknown": "not compared",
}  # fmt: skip
CHANGE_MARKS: dict[Change, str] = {"worse": "▲", "better": "▽", "alike": "", "unknown": ""}
EFFORT_WORDS: dict[Effort, str] = {
    "desk": "From the desk", "visit": "One visit", "isolation": "Isolation to plan",
}  # fmt: skip
NOTHING = "–"


@dataclass(frozen=True, slots=True)
class Words:
    """How numbers and times are said."""

    units: UnitSystem
    locale: Locale

    @classmethod
    def of(cls, units: UnitSystem, language: str) -> Words:
        """For a unit system and an IETF language tag."""
        return cls(units, Locale.parse(language, sep="-"))

    @property
    def language(self) -> str:
        """IETF tag of the dates' language."""
        return str(self.locale).replace("_", "-")

    # ---- numbers --------------------------------------------------------------------------------------

    def unit(self, unit: Unit) -> str:
        """The unit shown for a kind of figure."""
        return {
            "pressure": self.units.pressure,
            "flow": self.units.flow,
            "share": "%",
            "hours": "h",
            "count": "",
            "duration": "h",
            "rate": f"{self.units.pressure}/week",
        }[unit]

    def shown(self, value: float | None, unit: Unit) -> float | None:
        """A value in the unit shown, rounded as far as it means anything; None stays None."""
        if value is None:
            return None
        if unit in ("pressure", "rate"):
            decimals = self.units.pressure_decimals + (1 if unit == "pressure" else 2)
            scale = 1.0 if unit == "pressure" else 7.0
            return round(scale * float(self.units.pressure_from_kpa(value)), decimals) + 0.0
        if unit == "flow":
            return round(float(self.units.flow_from_lps(value)), self.units.flow_decimals + 1)
        if unit == "share":
            return round(100.0 * value, 1)
        if unit == "duration":
            return round(value / 3600.0, 2)
        return round(value, 1) + 0.0

    def number(self, value: float | None, unit: Unit) -> str:
        """A value without its unit, or a dash."""
        shown = self.shown(value, unit)
        if shown is None:
            return NOTHING
        if unit == "pressure":
            return f"{shown:.{self.units.pressure_decimals + 1}f}"
        if unit == "rate":
            return f"{shown:.{self.units.pressure_decimals + 2}f}"
        if unit == "flow":
            return f"{shown:.{self.units.flow_decimals}f}"
        if unit == "count":
            return f"{shown:.0f}"
        if unit == "duration":
            return duration_text(value or 0.0)
        return f"{shown:.0f}" if abs(shown) >= 99.95 or shown == 0.0 else f"{shown:.1f}"

    def text(self, value: float | None, unit: Unit) -> str:
        """A value with its unit."""
        number = self.number(value, unit)
        if value is None or unit in ("count", "duration"):
            return number
        return f"{number} {self.unit(unit)}"

    def moved(self, figure: Figure) -> str:
        """From what to what a figure went: "1.2 to 3.4 kPa"."""
        before = self.number(figure.before_mean, figure.unit)
        return f"from {before} to {self.text(figure.value, figure.unit)}"

    # ---- times ----------------------------------------------------------------------------------------

    def day(self, at: date) -> str:
        """Monday 27 October 2025."""
        return str(format_date(at, "full", locale=self.locale))

    def days(self, first: date, last: date) -> str:
        """27 Oct 2025 – 2 Nov 2025."""
        ends = (str(format_date(at, "medium", locale=self.locale)) for at in (first, last))
        return " – ".join(ends)

    def short_day(self, time_s: float, time_zone: str) -> str:
        """Mon 27 Oct."""
        at = datetime.fromtimestamp(time_s, tz=ZoneInfo(time_zone))
        return str(format_skeleton("MMMEd", at, locale=self.locale)).rstrip(".")

    def date(self, time_s: float, time_zone: str) -> str:
        """27 Oct 2025."""
        at = datetime.fromtimestamp(time_s, tz=ZoneInfo(time_zone))
        return str(format_date(at, "medium", locale=self.locale))

    def moment(self, time_s: float, time_zone: str) -> str:
        """Mon 27 Oct, 14:05; with the zone's short name where the hour comes twice."""
        zone = ZoneInfo(time_zone)
        at = datetime.fromtimestamp(time_s, tz=zone)
        text = f"{self.short_day(time_s, time_zone)}, {at:%H:%M}"
        is_twice = at.replace(fold=0).utcoffset() != at.replace(fold=1).utcoffset()
        return f"{text} {at.tzname()}" if is_twice else text

    def stamp(self, time_s: float) -> str:
        """When the report was made, in UTC."""
        at = datetime.fromtimestamp(time_s, tz=UTC)
        return f"{format_datetime(at, 'medium', tzinfo=UTC, locale=self.locale)} UTC"
