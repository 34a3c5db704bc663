"""Settings of a service that shares its fleet with others; ``sharing:`` in the settings of the service."""

from __future__ import annotations

import socket
from pathlib import Path
from typing import Annotated

from pydantic import Field, model_validator

from steadyhead.config.fields import Number
from steadyhead.config.mistakes import ModelError
from steadyhead.config.source import Part

LOOKS_IN_A_LEASE = 3  # two beats may be lost, or come late, before a process that lives is given up


class SharingSettings(Part):
    """How this process takes part.

    folder : folder that all processes reach, for readings; needed unless ``readings_store`` is influx
    name : what the process is called on pages and in logs; the machine's name if None
    shares : how many parts the stations are divided into; as the first process of a database had it
    lease_s : a process that gives no sign for so long is given up [s]; renew_s : how often it gives one [s]
    """

    folder: Path | None = None
    name: Annotated[str, Field(min_length=1, max_length=64)] | None = None
    shares: Annotated[int, Field(ge=1, le=1024)] = 16
    lease_s: Annotated[Number, Field(ge=1, le=600)] = 12.0
    renew_s: Annotated[Number, Field(gt=0, le=60)] = 2.0

    @model_validator(mode="after")
    def _fits_together(self) -> SharingSettings:
        if self.lease_s < LOOKS_IN_A_LEASE * self.renew_s:
            text = (
                f"{self.lease_s:g} is below {LOOKS_IN_A_LEASE} times renew_s, {self.renew_s:g}; raise it, or "
                "a process that lives would be given up for one late sign"
            )
            raise ModelError([(("lease_s",), text)])
        return self

    @property
    def shown_name(self) -> str:
        """What the process is called."""
        return self.name or socket.gethostname()

    @property
    def noticed_within_s(self) -> float:
        """The longest time from the death of a process until another takes its shares over [s].

        Its last sign is seen up to ``renew_s`` late, is waited out, and the look that finds it over may come
        ``renew_s`` after that.
        """
        return self.renew_s + self.lease_s + self.renew_s
