"""One run of the plant through each way in which historians store, and what the alerts make of it.

The storage schemes are small and our own: a value each step, means, exception reporting with a deadband, and
compression by swinging doors (written from the idea: a straight line that stays within a tolerance of every
value it leaves out; E. H. Bristol, 1990, "Swinging door trending").
"""

import numpy as np
import pytest

from steadyhead import service
from steadyhead.config import Settings, Station
from steadyhead.profile.learn import learn
from steadyhead.proving_plant.asked import Asked
from steadyhead.proving_plant.simulate import simulate
from steadyhead.readings.grid import to_grid
from steadyhead.readings.rejects import Rejects
from steadyhead.readings.series import Series, StationLog

START_S = 1_743_984_000
TOLERANCE = {"inlet": 2.0, "outlet": 1.0, "flow": 0.15}
STEP_S = 60


def exception_reports(times_s, values, tolerance, heartbeat_s):
    """A value when it has moved by the deadband, or after so long."""
    kept, last, last_s = [], np.inf, -np.inf
    for n, (at, value) in enumerate(zip(times_s, values, strict=True)):
        if abs(value - last) >= tolerance or at - last_s >= heartbeat_s:
            kept.append(n)
            last, last_s = value, at
    return np.array(kept)


def swinging_door(times_s, values, tolerance, longest_s):
    """Places of the values kept: the door shuts when no line passes all values within the tolerance."""
    kept = [0]
    low, high = -np.inf, np.inf
    for n in range(1, len(values)):
        base = kept[-1]
        span = times_s[n] - times_s[base]
        low = max(low, (values[n] - tolerance - values[base]) / span)
        high = min(high, (values[n] + tolerance - values[base]) / span)
        if low > high or span > longest_s:
            kept.append(n - 1 if n - 1 > base else n)
            base = kept[-1]
            if base == n:
                low, high = -np.inf, np.inf
                continue
            span = times_s[n] - times_s[base]
            low = (values[n] - tolerance - values[base]) / span
            high = (values[n] + tolerance - values[base]) / span
    if kept[-1] != len(values) - 1:
        kept.append(len(values) - 1)
    return np.array(kept)


def station(**how):
    tags = {
        role: {
            "tag": role,
            "unit": "L/s" if role == "flow" else "kPa",
            "deadband": how.pop(f"{role}_band", None),
        }
        for role in TOLERANCE
    }
    return Station.model_validate(
        {
            "name": "elm",
            "time_zone": "UTC",
            "step_s": STEP_S,
            "tags": tags,
            "sources": [{"path": "-"}],
            "valve": {"rated_kv_m3h": 120},
            "set_pressure": {"nominal_kpa": 400},
            **how,
        }
    )


def stored(readings, scheme):
    """The station and its log as a historian of that kind would give it."""
    channels = {"inlet": readings.inlet_kpa, "outlet": readings.outlet_kpa, "flow": readings.flow_lps}
    series, how = {}, {}
    for role, values in channels.items():
        keep = np.flatnonzero(~np.isnan(values))
        times_s, known = readings.times_s[keep], values[keep]
        if scheme == "averaged":
            bucket = -(-times_s // 900) * 900
            starts = np.flatnonzero(np.diff(bucket, prepend=-1))
            times_s, known = (
                bucket[starts],
                np.add.reduceat(known, starts) / np.diff(np.append(starts, len(known))),
            )
            how = {"step_s": 900, "averaged": True}
        elif scheme == "exception":
            at = exception_reports(times_s, known, TOLERANCE[role], 1800)
            times_s, known = times_s[at], known[at]
            how = {"reporting": "on_change", "heartbeat_s": 1800}
        elif scheme == "compressed":
            at = swinging_door(times_s.astype(float), known, TOLERANCE[role], 1800)
            times_s, known = times_s[at], known[at]
            how = {"reporting": "on_change", "heartbeat_s": 3600}
        series[role] = Series(times_s.astype(np.int64), known, np.zeros(len(known), np.uint16))
    made = station(**how)
    return made, StationLog("elm", series, Rejects("elm"))


RUNS = {"healthy": (), "drift": ("spring_relaxed=0.5@24+4",), "hunting": ("needles_out=0.9@24+1",)}
SCHEMES = ("sampled", "averaged", "exception", "compressed")


@pytest.fixture(scope="module")
def found():
    """Conditions alerted, by run and scheme, and how many values each scheme kept."""
    alerts, sizes = {}, {}
    for name, faults in RUNS.items():
        asked = Asked(name="elm", days=35, interval_s=STEP_S, start_s=START_S, seed=11, faults=faults)
        readings = simulate(asked.scenario()).readings
        readings = readings.between(readings.start_s + 3600, readings.end_s)
        for scheme in SCHEMES:
            made, log = stored(readings, scheme)
            rows = to_grid(log, made)
            sound = rows.between(rows.start_s, START_S + 22 * 86400)
            profile = learn(sound, service.known(made, Settings()))
            alerts[name, scheme] = [v.condition for v in service.scan_station(rows, profile)]
            sizes[name, scheme] = sum(len(one.values) for one in log.series.values())
    return alerts, sizes


def test_what_is_stored_changes_how_much_and_no_sound_station_is_called_faulty(found):
    alerts, sizes = found
    for scheme in SCHEMES:
        # no false flat line from a deadband, no false hunting from compression
        assert alerts["healthy", scheme] == [], scheme
    for scheme in ("averaged", "exception", "compressed"):
        assert sizes["healthy", scheme] < 0.8 * sizes["healthy", "sampled"]


def test_a_drift_is_found_whatever_is_stored(found):
    alerts, _ = found
    assert {scheme: "drift" in alerts["drift", scheme] for scheme in SCHEMES} == dict.fromkeys(SCHEMES, True)


def test_hunting_is_judged_from_samples_and_never_claimed_from_means(found):
    alerts, _ = found
    for scheme in ("sampled", "exception", "compressed"):  # a swing of many tolerances survives both
        assert set(alerts["hunting", scheme]) == {"hunting"}, scheme
    assert "hunting" not in alerts["hunting", "averaged"]


def test_the_encoders_keep_their_promise():
    """Swinging door: every value left out lies within twice the tolerance of the line; a deadband.

    Within it.
    """
    times_s = np.arange(0.0, 6000.0, 60.0)
    values = 400 + 3 * np.sin(times_s / 700) + np.random.default_rng(1).normal(0, 0.3, len(times_s))
    at = swinging_door(times_s, values, 1.0, 1800)
    assert 2 < len(at) < len(values)
    line = np.interp(times_s, times_s[at], values[at])
    assert np.abs(line - values).max() <= 2.0
    at = exception_reports(times_s, values, 1.0, 1800)
    held = values[at][np.searchsorted(at, np.arange(len(values)), side="right") - 1]
    assert np.abs(held - values).max() < 1.0
