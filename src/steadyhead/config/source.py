"""How the log files of a station are written: where they lie, their columns, times and quality codes."""

from __future__ import annotations

import codecs
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from steadyhead.config.fields import Delimiter, Paths, Texts, TimeZone
from steadyhead.config.mistakes import ModelError

Role = Literal["inlet", "outlet", "flow", "command"]
ROLES: tuple[Role, ...] = ("inlet", "outlet", "flow", "command")

DEFAULT_BAD_VALUES: tuple[float, ...] = (
    # Marks for "no value" met in exports; common practice, no source.
    *(-999.0, -999.9, -999.99, -9999.0, -9999.9, -9999.99, -99999.0, -32768.0),
    *(9999.0, 9999.9, 99999.0, 999999.0, 9999999.0, 32767.0, 65535.0),
)
EPOCH_FORMATS = {"epoch_s": 1_000_000_000, "epoch_ms": 1_000_000, "epoch_us": 1_000, "epoch_ns": 1}
"""Nanoseconds in one unit of each numeric time format."""


class Part(BaseModel):
    """Base of all registry models: frozen, and no unknown keys."""

    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True, coerce_numbers_to_str=True)


def _lower_keys(value: Any) -> Any:
    return {str(k).strip().casefold(): v for k, v in value.items()} if isinstance(value, dict) else value


class Quality(Part):
    """What the quality codes of a log mean.

    style : "opc_da" (numbers 0 to 255 of which the bits 0xC0 count, and words) or "opc_ua" (32-bit status
        codes of which the top two bits count, and words)
    map : own meaning of single codes or words; goes before ``style``
    accept_uncertain : keep values of uncertain quality instead of refusing them
    """

    style: Literal["opc_da", "opc_ua"] = "opc_da"
    map: Annotated[dict[str, Literal["good", "uncertain", "bad"]], BeforeValidator(_lower_keys)] = Field(
        default_factory=dict
    )
    accept_uncertain: bool = False


class Source(Part):
    """One set of log files of a station, all written alike.

    path : one or more file patterns below the log root; ``{station}`` stands for the station's name
    layout : "wide" (a row per time, a column per tag) or "long" (a row per reading)
    columns : role to column, where a wide file's headings differ from the tags; only these roles are read
    time_format : "iso", "epoch_s", "epoch_ms", "epoch_us", "epoch_ns", or a strptime pattern
    time_zone : zone of times without an offset; the station's zone if not given
    """

    path: Paths
    layout: Literal["wide", "long"] = "wide"
    columns: dict[Role, str] = Field(default_factory=dict)
    time_column: str = "time"
    date_column: str | None = None
    time_format: str = "iso"
    time_zone: TimeZone | None = None
    tag_column: str = "tag"
    value_column: str = "value"
    quality_column: str | None = None
    quality_suffix: str | None = None
    quality: Quality = Quality()
    bad_values: Texts = ()
    default_bad_values: bool = True
    decimal: Literal[".", ","] = "."
    delimiter: Delimiter | None = None
    encoding: str = "utf-8"
    skip_rows: Annotated[int, Field(ge=0, le=1000)] = 0
    column_names: Texts | None = None

    @model_validator(mode="after")
    def _fits_together(self) -> Source:
        found: list[tuple[tuple[str | int, ...], str]] = []
        if self.time_format not in ("iso", *EPOCH_FORMATS) and "%" not in self.time_format:
            known = ", ".join(("iso", *EPOCH_FORMATS))
            found.append(
                (
                    ("time_format",),
                    f'"{self.time_format}" is not a time format; use {known}, or such as "%d/%m/%Y %H:%M"',
                )
            )
        if self.date_column is not None and self.time_format in EPOCH_FORMATS:
            found.append((("date_column",), f"makes no sense with {self.time_format}; remove one of the two"))
        if self.delimiter is not None and self.delimiter == self.decimal:
            found.append((("delimiter",), f'"{self.delimiter}" is the decimal mark too; change one of them'))
        if self.layout == "long" and self.columns:
            found.append((("columns",), "is for layout wide; a long file is read by tag, so remove it"))
        if self.layout == "long" and self.quality_suffix is not None:
            found.append((("quality_suffix",), "is for layout wide; use quality_column in a long file"))
        try:
            codecs.lookup(self.encoding)
        except LookupError:
            text = f'"{self.encoding}" is not a known encoding; use utf-8, utf-16, latin-1 or cp1252'
            found.append((("encoding",), text))
        if found:
            raise ModelError(found)
        return self

    def bad_numbers(self) -> tuple[float, ...]:
        """Numbers that mark a missing value in this source."""
        own = tuple(float(v) for v in self.bad_values if _is_number(v))
        return own + (DEFAULT_BAD_VALUES if self.default_bad_values else ())

    def bad_words(self) -> frozenset[str]:
        """Words that mark a missing value in this source, lower case."""
        return frozenset(v.strip().casefold() for v in self.bad_values if not _is_number(v))


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True
