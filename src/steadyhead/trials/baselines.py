"""What users have today, or could take instead: run causally on the same cases, with the same episode rule.

Each gives a score per time; an alert is raised when the score has been above a margin for the on-delay, and
an alert raised again within 36 h of its end is the same episode, as it is for Steadyhead. The margin is one
number per detector, the smallest that keeps false alerts at or below Steadyhead's own figure on the
development set.

* ``limits``: outlet against the set pressure on paper; at margin 0.1 these are limits at set +/-10 %.
* ``percentiles``: outlet below the 0.1 or above the 99.9 percentile of the learning span, by more than
  ``margin`` times the distance between the two.
* the general-purpose detectors of ``trials/general.py``.
"""

from __future__ import annotations

import hashlib
import importlib
import io
from collections.abc import Sequence
from dataclasses import replace
from functools import cache, partial
from pathlib import Path

import numba
import numpy as np
from scipy.ndimage import minimum_filter1d

from steadyhead.diagnosis.weigh import SAME_EPISODE_S
from steadyhead.files import write_atomically
from steadyhead.fleet.crew import results_of
from steadyhead.fleet.place import Place
from steadyhead.fleet.told import Tell
from steadyhead.readings.frame import Readings
from steadyhead.trials import general, quarters
from steadyhead.trials.cases import Case
from steadyhead.trials.quarters import Detector, Track
from steadyhead.trials.runs import CaseRun, kept_path, load_or_play, plant_version
from steadyhead.trials.score import YEAR_S, healthy_time_s
from steadyhead.trials.watch import Outcome, Raised
from steadyhead.types import FloatArray

# For limits: a quarter hour or three samples, so that single spikes do not count.
ON_DELAY_S, ON_SAMPLES = 900, 3
LOW, HIGH = 0.001, 0.999


def limits(run: CaseRun) -> Track:
    """Distance of the outlet from the set on paper, share of set."""
    set_kpa = float(run.case.station["set_kpa"])
    return _persistent(run.judged, np.abs(run.judged.outlet_kpa / set_kpa - 1.0))


def percentiles(run: CaseRun) -> Track:
    """How far the outlet is outside what the learning span held, in widths of that."""
    low, high = np.nanquantile(run.learning.outlet_kpa, (LOW, HIGH))
    outlet = run.judged.outlet_kpa
    return _persistent(run.judged, np.maximum(low - outlet, outlet - high) / max(high - low, 1e-6))


def _persistent(readings: Readings, values: FloatArray) -> Track:
    """The least of the last quarter hour or three samples; one value per five minutes keeps tracks small."""
    rows = max(ON_SAMPLES, ON_DELAY_S // readings.step_s)
    known = np.where(np.isnan(values), -np.inf, values)
    held = minimum_filter1d(known, rows, mode="constant", cval=-np.inf, origin=(rows - 1) // 2)
    per = max(1, 300 // readings.step_s)
    n = len(held) // per * per
    block = held[:n].reshape(-1, per).max(axis=1)
    times_s = readings.times_s[per - 1 : n : per].astype(np.float64)
    return Track(times_s, block)


DETECTORS: dict[str, Detector] = {
    "limits around set": limits,
    "training percentiles": percentiles,
    "isolation forest": general.isolation_forest,
    "ECOD": general.ecod,
    "half-space trees": general.half_space_trees,
    "level shift": general.level_shift,
    "matrix profile, shape": general.matrix_profile,
    "matrix profile, level": general.matrix_profile_plain,
}
NEEDS = {
    "ECOD": "pyod.models.ecod",
    "half-space trees": "river.anomaly",
    "level shift": "adtk.transformer",
    "matrix profile, shape": "stumpy",
    "matrix profile, level": "stumpy",
}
"""What a detector needs beside Steadyhead's own libraries: a module of the ``bench`` extra."""


def absent() -> dict[str, str]:
    """Detectors that cannot be run here, and why in words."""
    return {name: why for name, module in NEEDS.items() if (why := _why_absent(module))}


def _why_absent(module: str) -> str:
    try:
        importlib.import_module(module)
    except ModuleNotFoundError as exc:
        return f"not installed: {exc}"
    except Exception as exc:  # a library of a version that does not go with the others fails as it likes
        return f"cannot be loaded here: {type(exc).__name__}: {exc}"
    return ""


def episodes(track: Track, margin: float) -> list[tuple[int, int | None]]:
    """Raise and end times of each episode above a margin [s]."""
    above = np.where(np.isnan(track.values), False, track.values > margin)
    edges = np.diff(np.concatenate(([0], above.astype(np.int8), [0])))
    begins, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    out: list[tuple[int, int | None]] = []
    for begin, end in zip(begins, ends, strict=True):
        at_s = int(track.times_s[begin])
        end_s = int(track.times_s[end]) if end < len(track.times_s) else None
        if out and out[-1][1] is not None and at_s - out[-1][1] < SAME_EPISODE_S:
            out[-1] = (out[-1][0], end_s)
        else:
            out.append((at_s, end_s))
    return out


def tracks_of(
    cases: Sequence[Case], folder: Path, place: Place, names: Sequence[str] = tuple(DETECTORS)
) -> list[dict[str, Track]]:
    """Tracks of the detectors named on every case, by detector."""
    return list(results_of(partial(_tracks, folder.absolute(), tuple(names)), cases, place))


def _tracks(folder: Path, names: tuple[str, ...], case: Case, tell: Tell) -> dict[str, Track]:
    """Tracks from disk, or worked out and kept: they depend on the run and on the modules here alone."""
    del tell
    numba.set_num_threads(1)  # one process a core is enough
    path = kept_path(case, folder / "tracks").with_suffix(f".{_version()[:12]}.npz")
    tracks: dict[str, Track] = {}
    if path.is_file():
        with np.load(path) as stored:
            kept = [n for n in DETECTORS if n in stored]
            tracks = {n: Track(stored[f"{n} times"], stored[n].astype(np.float64)) for n in kept}
    if missing := [n for n in names if n not in tracks]:
        run = load_or_play(case, folder)
        tracks |= {n: _single(DETECTORS[n](run)) for n in missing}
        arrays = {f"{n} times": t.times_s for n, t in tracks.items()}
        arrays |= {n: t.values.astype(np.float32) for n, t in tracks.items()}
        content = io.BytesIO()
        np.savez(content, **arrays)  # type: ignore[arg-type, unused-ignore]
        write_atomically(path, content.getvalue())
    return {n: tracks[n] for n in names}


def _single(track: Track) -> Track:
    """In single precision, as tracks are kept: so the first run says what all later ones say."""
    return Track(track.times_s, track.values.astype(np.float32).astype(np.float64))


@cache
def _version() -> str:
    """Digest of what tracks depend on beside the run."""
    digest = hashlib.sha256(plant_version().encode())
    for module in (__file__, general.__file__, quarters.__file__):
        digest.update(Path(str(module)).read_bytes())
    return digest.hexdigest()


def tuned_margin(tracks: Sequence[Track], outcomes: Sequence[Outcome], most_per_year: float) -> float:
    """Smallest margin at which false alerts in healthy time are at or below a rate."""
    years = sum(healthy_time_s(o) for o in outcomes) / YEAR_S
    healthy = [_until(t, o.case.begins_s) for t, o in zip(tracks, outcomes, strict=True)]
    values = np.unique(np.concatenate([t.values[np.isfinite(t.values)] for t in healthy]))
    low, high = 0, len(values) - 1  # at the largest value nothing is above it
    while low < high:
        middle = (low + high) // 2
        count = sum(len(episodes(t, float(values[middle]))) for t in healthy)
        low, high = (low, middle) if count <= most_per_year * years + 1e-9 else (middle + 1, high)
    return float(values[low])


def _until(track: Track, at_s: float) -> Track:
    rows = track.times_s < at_s
    return Track(track.times_s[rows], track.values[rows])


def as_outcomes(tracks: Sequence[Track], outcomes: Sequence[Outcome], margin: float) -> list[Outcome]:
    """The cases with a detector's alerts in place of Steadyhead's; they carry no name."""
    out = []
    for track, outcome in zip(tracks, outcomes, strict=True):
        alerts = tuple(Raised("alarm", a, b, float("nan"), float("nan")) for a, b in episodes(track, margin))
        out.append(replace(outcome, alerts=alerts))
    return out
