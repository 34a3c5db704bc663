"""The one interface through which readings enter."""

from __future__ import annotations

from typing import Protocol

from steadyhead.config.model import Station
from steadyhead.readings.series import StationLog


class Feed(Protocol):
    """A way in for readings; foreign names, units and clocks stop here."""

    def read(self, station: Station) -> StationLog:
        """Read what there is of a station. Raises FeedError if it cannot be read at all."""
        ...
