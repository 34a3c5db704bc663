"""Readings pushed by others: read, converted, refused with a reason, or committed to the journal."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Precision = Literal["ns", "us", "ms", "s"]


@dataclass(frozen=True, slots=True)
class Refused:
    """One item that was not taken.

    index : its place in the batch, from 0 (for line protocol: line number from 0)
    where : which part of it, such as ``values.inlet`` or ``time``
    reason : what was met, what was wanted, what to do
    """

    index: int
    where: str
    reason: str


@dataclass(frozen=True, slots=True)
class PushAnswer:
    """What became of a batch; an item with several values counts once for each value.

    accepted : values now in the journal, safe from a power cut; late : values older than the horizon, kept
    but not judged; refused : values or items not taken
    """

    accepted: int
    late: int
    refused: list[Refused]


class Intake:
    """The door for pushed readings. Threads may share it."""

    def push_json(self, body: bytes, source: str) -> PushAnswer:
        """Take a batch of JSON items.

        source : who sent it, for counts and the feeds page
        Raises IntakeError if the body as a whole cannot be read, JournalError if nothing can be accepted now.
        """
        raise NotImplementedError

    def push_lines(self, body: bytes, precision: Precision, source: str) -> PushAnswer:
        """Take InfluxDB line protocol; errors as ``push_json``. ``precision`` is that of its time stamps."""
        raise NotImplementedError
