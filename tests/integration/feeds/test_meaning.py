"""One run of the plant through each way in which historians store, and what the alerts make of it.

The storage schemes are small and our own: a value each step, means, exception reporting with a deadband, and
compression by swinging doors (written from the idea: a straight line that stays within a tolerance of every
value it leaves out; E. H. Bristol, 1990, "Swinging door trending").
"""

from pathlib import Path

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
    """By run and scheme: conditions alerted, how many values were kept, and when alerts were raised."""
    alerts, sizes, raised_s = {}, {}, {}
    for name, faults in RUNS.items():
        asked = Asked(name="elm", days=35, interval_s=STEP_S, start_s=START_S, seed=11, faults=faults)
        readings = simulate(asked.scenario()).readings
        readings = readings.between(readings.start_s + 3600, readings.end_s)
        for scheme in SCHEMES:
            made, log = stored(readings, scheme)
            rows = to_grid(log, made)
            sound = rows.between(rows.start_s, START_S + 22 * 86400)
            profile = learn(sound, service.known(made, Settings()))
            verdicts = service.scan_station(rows, profile)
            alerts[name, scheme] = [v.condition for v in verdicts]
            raised_s[name, scheme] = [v.raised_s for v in verdicts]
            sizes[name, scheme] = sum(len(one.values) for one in log.series.values())
    return alerts, sizes, raised_s


def test_what_is_stored_changes_how_much_and_no_sound_station_is_called_faulty(found):
    alerts, sizes, _ = found
    for scheme in SCHEMES:
        # no false flat line from a deadband, no false hunting from compression
        assert alerts["healthy", scheme] == [], scheme
    for scheme in ("averaged", "exception", "compressed"):
        assert sizes["healthy", scheme] < 0.8 * sizes["healthy", "sampled"]


def test_a_drift_is_found_whatever_is_stored(found):
    alerts, _, _ = found
    assert {scheme: "drift" in alerts["drift", scheme] for scheme in SCHEMES} == dict.fromkeys(SCHEMES, True)


def cells(heading):
    """Cells of a table of the documents, without its first column, by its heading's first cell."""
    text = (Path(__file__).parents[3] / "docs" / "feeds" / "meaning.md").read_text()
    rows = text[text.index(f"| {heading} |") :].split("\n\n")[0].splitlines()[2:]
    return [[cell.strip() for cell in row.split("|")[2:-1]] for row in rows]


def test_the_alerts_and_sizes_in_the_documents_are_what_was_found(found):
    alerts, sizes, _ = found
    *rows, kept = cells("run")
    for run, row in zip(RUNS, rows, strict=True):
        assert row == [", ".join(sorted(set(alerts[run, scheme]))) or "none" for scheme in SCHEMES], run
    kept = [int(cell.replace(" ", "")) for cell in kept]
    assert kept == pytest.approx([sizes["healthy", scheme] for scheme in SCHEMES], rel=0.02)


def test_how_much_later_an_alert_comes_is_said_in_the_documents(found):
    """A drift within an hour whatever is stored; a swing, which held values flatten, by days."""
    _, _, raised_s = found
    told = cells("raised later than from samples")
    for run, row, tolerance_h in zip(("drift", "hunting"), told, (1, 12), strict=True):
        for scheme, cell in zip(SCHEMES[1:], row, strict=True):
            found_s = raised_s[run, scheme]
            if cell == "never":
                assert found_s == [], (run, scheme)
                continue
            later_h = (found_s[0] - raised_s[run, "sampled"][0]) / 3600
            assert later_h == pytest.approx(float(cell.removesuffix(" h")), abs=tolerance_h), (run, scheme)
            assert later_h < (1 if run == "drift" else 72), (run, scheme)


def test_hunting_is_judged_from_samples_and_never_claimed_from_means(found):
    alerts, _, _ = found
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
