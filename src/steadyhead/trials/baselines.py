"""What users have today, or could take instead: run causally on the same cases, with the same episode rule.

Each gives a score per time; an alert is raised when the score has been above a margin for the on-delay, and
an alert raised again within 36 h of its end is the same episode, as it is for Steadyhead. The margin is one
number per detector, the smallest that keeps false alerts at or below Steadyhead's own figure on the
development set.

* ``limits``: outlet against the set pressure on paper; at margin 0.1 these are limits at set +/-10 %.
* ``percentiles``: outlet below the 0.1 or above the 99.9 percentile of the learning span, by more than
  ``margin`` times the distance between the two.
* ``isolation forest``: scikit-learn's, on features of the hour before, every quarter hour; score above the
  99.9 percentile of the learning span.
* ``matrix profile``: stumpy's distance from the last six hours of outlet (quarter hours) to their nearest
  neighbour in the learning span, over the 99.9 percentile of the learning span's own; z-normalised (shape
  only) and plain (level counts too).
"""

from __future__ import annotations

import hashlib
import io
import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
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
from steadyhead.trials.cases import Case
from steadyhead.trials.runs import CaseRun, kept_path, load_or_play, plant_version
from steadyhead.trials.score import YEAR_S, healthy_time_s
from steadyhead.trials.watch import Outcome, Raised
from steadyhead.types import FloatArray

QUARTER_S = 900
ON_DELAY_S, ON_SAMPLES = (
    900,
    3,
)  # for limits: a quarter hour or three samples, so that single spikes do not count
FOREST_TREES = 100
PATTERN_QUARTERS = 24
LOW, HIGH = 0.001, 0.999


@dataclass(frozen=True, slots=True)
class Track:
    """Score of a detector over the judged span; the on-delay is already in it.

    times_s : when each value is known, seconds since 1970-01-01 UTC; values : same shape, NaN where unknown
    """

    times_s: FloatArray
    values: FloatArray


Detector = Callable[[CaseRun], Track]


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


def _quarters(readings: Readings) -> tuple[FloatArray, dict[str, FloatArray]]:
    """Means, spread and extremes of each quarter hour; times are the quarters' ends."""
    per = max(1, QUARTER_S // readings.step_s)
    n = len(readings) // per * per
    end_s = readings.times_s[per - 1 : n : per].astype(np.float64)
    out: dict[str, FloatArray] = {}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # quarters without any reading are NaN, as meant
        for name in ("outlet_kpa", "inlet_kpa", "flow_lps"):
            block = getattr(readings, name)[:n].reshape(-1, per)
            out[name] = np.nanmean(block, axis=1)
            if name == "outlet_kpa":
                out["low"], out["high"] = np.nanmin(block, axis=1), np.nanmax(block, axis=1)
                out["square"] = np.nanmean(block**2, axis=1)
    return end_s, out


def _features(readings: Readings) -> tuple[FloatArray, FloatArray]:
    """Features of the hour before each quarter's end, shape (n_quarters, n_features); NaN rows stay NaN."""
    end_s, q = _quarters(readings)

    def trailing(values: FloatArray, how: Callable[..., FloatArray]) -> FloatArray:
        padded = np.concatenate([np.full(3, np.nan), values])
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", RuntimeWarning)
            return np.asarray(how(np.lib.stride_tricks.sliding_window_view(padded, 4), axis=1))

    mean = trailing(q["outlet_kpa"], np.nanmean)
    spread = np.sqrt(np.maximum(trailing(q["square"], np.nanmean) - mean**2, 0.0))
    hour = 2.0 * np.pi * np.mod(end_s, 86400.0) / 86400.0
    columns = [
        mean,
        spread,
        trailing(q["low"], np.nanmin),
        trailing(q["high"], np.nanmax),
        np.sin(hour),
        np.cos(hour),
    ]
    also = [name for name in ("inlet_kpa", "flow_lps") if np.isfinite(q[name]).any()]
    columns += [trailing(q[name], np.nanmean) for name in also]
    return end_s, np.column_stack(columns)


def isolation_forest(run: CaseRun) -> Track:
    """Isolation score above the learning span's 99.9 percentile."""
    from sklearn.ensemble import IsolationForest

    _, learned = _features(run.learning)
    end_s, features = _features(run.judged)
    if learned.shape[1] != features.shape[1]:
        width = min(learned.shape[1], features.shape[1])
        learned, features = learned[:, :width], features[:, :width]
    learned = learned[np.isfinite(learned).all(axis=1)]
    forest = IsolationForest(n_estimators=FOREST_TREES, random_state=0).fit(learned)
    usual = float(np.quantile(-forest.score_samples(learned), HIGH))
    values = np.full(len(features), np.nan)
    good = np.isfinite(features).all(axis=1)
    if good.any():
        values[good] = -forest.score_samples(features[good]) - usual
    return Track(end_s, values)


def matrix_profile(run: CaseRun) -> Track:
    """Distance of the last six hours' shape to its nearest neighbour in the learning span."""
    import stumpy

    return distance_track(run, stumpy.stump)


def matrix_profile_plain(run: CaseRun) -> Track:
    """The same without z-normalisation, so that level counts too."""
    import stumpy

    return distance_track(run, stumpy.aamp)


def distance_track(run: CaseRun, join: Callable[..., FloatArray]) -> Track:
    """Distances found by ``join`` (called as ``stumpy.stump`` is); known only when a window has ended."""
    _, before = _quarters(run.learning)
    end_s, now = _quarters(run.judged)
    learned, judged = _filled(before["outlet_kpa"]), _filled(now["outlet_kpa"])
    own = np.asarray(join(learned, PATTERN_QUARTERS)[:, 0], dtype=np.float64)
    usual = float(np.quantile(own[np.isfinite(own)], HIGH))
    found = join(judged, PATTERN_QUARTERS, learned, ignore_trivial=False)
    values = np.full(len(judged), np.nan)
    values[PATTERN_QUARTERS - 1 :] = np.asarray(found[:, 0], dtype=np.float64) / max(usual, 1e-9)
    return Track(end_s, values)


def _filled(values: FloatArray) -> FloatArray:
    """Gaps hold the last value; a gap at the start takes the first one there is."""
    known = np.flatnonzero(np.isfinite(values))
    if not known.size:
        return np.zeros_like(values)
    last = known[np.maximum(np.searchsorted(known, np.arange(len(values)), side="right") - 1, 0)]
    return np.asarray(values[last], dtype=np.float64)


DETECTORS: dict[str, Detector] = {
    "limits around set": limits,
    "training percentiles": percentiles,
    "isolation forest": isolation_forest,
    "matrix profile, shape": matrix_profile,
    "matrix profile, level": matrix_profile_plain,
}


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


def tracks_of(cases: Sequence[Case], cache: Path, place: Place) -> list[dict[str, Track]]:
    """Tracks of every detector on every case, by detector."""
    return list(results_of(partial(_tracks, cache.absolute()), cases, place))


def _tracks(cache: Path, case: Case, tell: Tell) -> dict[str, Track]:
    """Tracks from disk, or worked out and kept: they depend on the run and on this module alone."""
    del tell
    numba.set_num_threads(1)  # one process a core is enough
    version = hashlib.sha256(
        (plant_version() + Path(__file__).read_text(encoding="utf-8")).encode()
    ).hexdigest()
    path = kept_path(case, cache / "tracks").with_suffix(f".{version[:12]}.npz")
    if path.is_file():
        with np.load(path) as stored:
            return {n: Track(stored[f"{n} times"], stored[n].astype(np.float64)) for n in DETECTORS}
    run = load_or_play(case, cache)
    tracks = {name: detector(run) for name, detector in DETECTORS.items()}
    arrays = {f"{n} times": t.times_s for n, t in tracks.items()}
    arrays |= {n: t.values.astype(np.float32) for n, t in tracks.items()}
    content = io.BytesIO()
    np.savez(content, **arrays)  # type: ignore[arg-type, unused-ignore]
    write_atomically(path, content.getvalue())
    return tracks


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
