"""Learned profiles as the live run needs them: by version, and those that were put in use meanwhile."""

from __future__ import annotations

import logging
from collections.abc import Mapping
from pathlib import Path

from steadyhead.config import Station
from steadyhead.errors import ProfileError
from steadyhead.profile.model import Profile, from_json
from steadyhead.store.profiles import REPLACED, load_profile, profile_path

log = logging.getLogger(__name__)


class ProfileFiles:
    """The folder of profiles; ``steadyhead learn`` may write to it while the service runs."""

    def __init__(self, folder: Path, stations: Mapping[str, Station]) -> None:
        self.folder = folder
        self._stations = stations
        self._seen = {name: self._mark(name) for name in stations}

    def in_use(self, station: str) -> Profile | None:
        """The profile in use; None if there is none, or none that fits (which is logged)."""
        if not profile_path(self.folder, station).exists():
            return None
        try:
            return load_profile(self.folder, station, self._stations[station].step_s)
        except ProfileError as exc:
            log.warning("%s", exc)
            return None

    def of_version(self, station: str, version: str) -> Profile | None:
        """The profile of a version, in use or replaced; None if it is nowhere."""
        current = self.in_use(station)
        if current is not None and current.version == version:
            return current
        path = self.folder / REPLACED / f"{station}-{version}.json"
        try:
            return from_json(path.read_text(encoding="utf-8"), str(path))
        except (OSError, UnicodeDecodeError, ProfileError) as exc:
            log.warning("%s: profile %s is not to be had: %s", station, version, exc)
            return None

    def newly_in_use(self) -> list[Profile]:
        """Profiles whose files were written since this was last asked."""
        found = []
        for name, seen in self._seen.items():
            mark = self._mark(name)
            if mark == seen:
                continue
            self._seen[name] = mark
            profile = self.in_use(name)
            if profile is not None:
                found.append(profile)
        return found

    def look_again(self, station: str) -> None:
        """Give a station's profile once more at the next ``newly_in_use``."""
        self._seen[station] = None

    def _mark(self, station: str) -> tuple[int, int] | None:
        try:
            found = profile_path(self.folder, station).stat()
        except OSError:
            return None
        return found.st_mtime_ns, found.st_size
