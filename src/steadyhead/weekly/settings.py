"""Settings of the weekly report; ``report:`` in the settings of the service."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from babel import Locale, UnknownLocaleError
from pydantic import Field, model_validator

from steadyhead.config.fields import Number
from steadyhead.config.mistakes import ModelError
from steadyhead.config.source import Part

Day = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
USUAL_SIGMA = 2.0
"""Cavitation index below which hours are counted where the valve's own limit is not known. Our own choice:
ISA-RP75.23 gives the index, the harmful value belongs to the valve and is found by test."""


class ReportSettings(Part):
    """How the report is made, and when a service makes it by itself.

    is_made : write a report every week without being asked
    folder : where reports go; a folder per week is made in it
    day, hour : when the week before is written, on the clock of most stations
    date_language : language of days and months, as an IETF tag such as en, de or pt-BR
    sigma_limit : cavitation index below which hours are counted
    has_pdf : write the PDF too
    """

    is_made: bool = False
    folder: Path = Path("reports")
    day: Day = "mon"
    hour: Annotated[int, Field(ge=0, le=23)] = 6
    date_language: str = "en-GB"
    sigma_limit: Annotated[Number, Field(gt=1.0, le=50)] = USUAL_SIGMA
    has_pdf: bool = True

    @model_validator(mode="after")
    def _has_language(self) -> ReportSettings:
        try:
            Locale.parse(self.date_language, sep="-")
        except (UnknownLocaleError, ValueError) as exc:
            text = f'"{self.date_language}" is no language that is known; use a tag such as en, de or pt-BR'
            raise ModelError([(("date_language",), text)]) from exc
        return self
