"""Learned profiles in a folder: one readable JSON file per station, replaced ones kept beside."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from steadyhead.errors import ProfileError
from steadyhead.files import write_atomically
from steadyhead.profile.model import Profile, from_json, to_json

REPLACED = "replaced"


def profile_path(folder: Path, station: str) -> Path:
    """Where the profile in use of a station lies."""
    return folder / f"{station}.json"


def load_profiles(folder: Path, steps_s: Mapping[str, int]) -> dict[str, Profile]:
    """The profiles in use of several stations.

    steps_s : station to the seconds between the readings they are to be used with
    Raises ProfileError that names all stations without a profile in one line, and each unfit one in its own.
    """
    missing = [name for name in steps_s if not profile_path(folder, name).exists()]
    problems: list[str] = []
    if missing:
        # Named in the command only where learning all would do more than is needed.
        names = "" if len(missing) == len(steps_s) > 1 else " " + " ".join(missing)
        problems.append(
            f"{folder}: there is no profile of {', '.join(missing)}; run: steadyhead learn{names}"
        )
    found: dict[str, Profile] = {}
    for name, step_s in steps_s.items():
        if name in missing:
            continue
        try:
            found[name] = load_profile(folder, name, step_s)
        except ProfileError as exc:
            problems.append(str(exc))
    if problems:
        raise ProfileError("\n".join(problems))
    return found


def load_profile(folder: Path, station: str, step_s: int) -> Profile:
    """The profile in use of a station.

    step_s : seconds between the readings it is to be used with
    Raises ProfileError if there is none, it cannot be read, is of another station, or was learned from
    readings at another interval.
    """
    path = profile_path(folder, station)
    profile = _read(path)
    if profile is None:
        raise ProfileError(f"{path}: there is no profile of {station}; run: steadyhead learn {station}")
    if profile.station != station:
        raise ProfileError(
            f"{path}: is the profile of {profile.station}, not of {station}; learn {station} again"
        )
    if profile.step_s != step_s:
        raise ProfileError(
            f"{path}: was learned from a reading every {profile.step_s} s, the registry now says {step_s} s; "
            f"mend step_s of {station}, or learn it again"
        )
    return profile


def kept_profiles(folder: Path, station: str, step_s: int) -> list[Profile]:
    """Every profile of a station that fits readings at this interval, replaced ones and the one in use.

    Latest learned first; files that cannot be read are left out.
    """
    found = {}
    for path in (profile_path(folder, station), *(folder / REPLACED).glob(f"{station}-*.json")):
        try:
            profile = _read(path)
        except ProfileError:
            continue
        if profile is not None and (profile.station, profile.step_s) == (station, step_s):
            found[profile.version] = profile
    return sorted(found.values(), key=lambda profile: profile.to_s, reverse=True)


def save_profile(folder: Path, profile: Profile) -> Profile | None:
    """Put a profile in use; returns the one it replaces, which is kept in ``replaced/``.

    Returns None if there was none or it was the same. A file that is no readable profile is kept too.
    Raises OutputError if a file cannot be written; the old profile is then still in use.
    """
    path = profile_path(folder, profile.station)
    if not path.exists():
        write_atomically(path, to_json(profile))
        return None
    try:
        old = _read(path)
    except ProfileError:
        old = None
    if old is not None and old.version == profile.version:
        return None
    name = f"{profile.station}-{old.version if old is not None else 'unreadable'}.json"
    write_atomically(folder / REPLACED / name, path.read_bytes())
    write_atomically(path, to_json(profile))
    return old


def _read(path: Path) -> Profile | None:
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        return None
    except (OSError, UnicodeDecodeError) as exc:
        reason = exc.strerror if isinstance(exc, OSError) else "it is not UTF-8 text"
        raise ProfileError(f"{path}: cannot be read ({reason}); check its rights, or learn again") from exc
    return from_json(text, str(path))
