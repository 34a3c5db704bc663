from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from PIL import Image

from steadyhead.alerts.model import Verdict
from steadyhead.errors import OutputError, ReadingsError
from steadyhead.readings.frame import regular
from steadyhead.report import scene as drawing
from steadyhead.report.plots import Band, plot_alert
from steadyhead.report.proofs import draw_proof
from steadyhead.report.scene import scene_of
from steadyhead.report.thinning import MOST_POINTS, thin
from steadyhead.report.views_swing import _amplitude_by_period
from steadyhead.report.views_time import _longest_run
from steadyhead.types import CONDITIONS
from steadyhead.units import UNIT_SYSTEMS

KPA, PSI = UNIT_SYSTEMS["kpa_lps"], UNIT_SYSTEMS["psi_gpm"]
STEP_S, N, START_S = 300, 3 * 288, 1_709_510_400
T = START_S + STEP_S * np.arange(N)
BEGAN_S = START_S + 86_400


def readings(**changes):
    day = 2 * np.pi * (T % 86_400) / 86_400
    flow = 12 - 6 * np.cos(day)
    channels = {"inlet_kpa": 620 - 3 * flow, "flow_lps": flow, "outlet_kpa": 392 - 0.6 * flow, **changes}
    return regular("mill_lane", START_S, STEP_S, channels.pop("outlet_kpa"), **channels)


def band(**changes) -> Band:
    expected = np.full(N, 386.0)
    learned = Band(
        expected, expected - 5, expected + 5, droop=(np.array([0.0, 20.0]), np.array([392.0, 380.0])),
        lock_up_kpa=398.0, kv_full_m3h=190.0,
    )  # fmt: skip
    return dataclasses.replace(learned, **changes)


def verdict(condition="drift", **changes) -> Verdict:
    base = Verdict(
        station="mill_lane",
        condition=condition,
        confidence=0.84,
        runners_up=(),
        magnitude={"period_s": 1800.0},
        evidence=("Outlet 348 kPa where 390 kPa was learned − Δ 42 kPa.",),
        began_s=BEGAN_S,
        raised_s=BEGAN_S + 7200,
        ended_s=None,
        updated_s=BEGAN_S + 7200,
        profile_version="ab12",
        window_s=(START_S, START_S + N * STEP_S),
        facts={
            "set_kpa": 390.0, "kv_m3h": 40.0, "lock_up_kpa": 398.0,
            "closed_from_s": float(BEGAN_S), "closed_to_s": float(BEGAN_S + 14_400),
        },
    )  # fmt: skip
    return dataclasses.replace(base, **changes)


def proof(found, logged, learned, units=KPA):
    """The proof as drawn: its sentence and the axes it was drawn on."""
    figure = Figure()
    FigureCanvasAgg(figure)
    axes = figure.add_subplot()
    told = draw_proof(axes, scene_of(found, logged, learned, units, "Europe/London"))
    figure.draw_without_rendering()
    return told, figure.axes


@pytest.mark.parametrize("condition", CONDITIONS)
def test_every_condition_gives_a_picture_that_says_what_it_shows(tmp_path, condition):
    path = tmp_path / "alert.png"
    neighbour = np.full(N, 400.0)
    plot_alert(
        verdict(condition), readings(neighbour_kpa=neighbour), band(), path, KPA, time_zone="Europe/London"
    )
    with Image.open(path) as image:
        image.load()
        assert image.size == (1320, 770)
        assert image.text["Title"] == f"mill_lane: {condition.replace('_', ' ')}, 84 % sure"
        assert (
            "Began Tue 05 Mar 2024 00:00, raised Tue 05 Mar 2024 02:00 (Europe/London)"
            in image.text["Description"]
        )
        assert "Δ 42 kPa" in image.text["Description"]
        drawn = np.asarray(image.convert("L"))
    assert 0.01 < (drawn < 250).mean() < 0.6


@pytest.mark.parametrize("condition", CONDITIONS)
@pytest.mark.parametrize(
    "missing",
    [("flow_lps",), ("inlet_kpa",), ("flow_lps", "inlet_kpa"), ("outlet_kpa", "inlet_kpa", "flow_lps")],
)
def test_a_station_without_a_channel_still_gets_its_picture(tmp_path, condition, missing):
    nothing = dict.fromkeys(missing, np.full(N, np.nan))
    found = verdict(condition, facts={}, magnitude={})
    learned = band(droop=None, lock_up_kpa=None, kv_full_m3h=None)
    told, axes = proof(found, readings(**nothing), learned)
    assert told
    assert all(part.get_title(loc="left") or part.get_xlabel() for part in axes)


def test_the_same_alert_gives_the_same_file(tmp_path):
    for name in ("one.png", "two.png"):
        plot_alert(verdict(), readings(), band(), tmp_path / name, KPA)
    assert (tmp_path / "one.png").read_bytes() == (tmp_path / "two.png").read_bytes()


def test_readings_and_band_are_left_as_they_were(tmp_path):
    logged, learned = readings(), band()
    before = logged.outlet_kpa.copy(), learned.low_kpa.copy()
    plot_alert(verdict(), logged, learned, tmp_path / "a.png", PSI)
    np.testing.assert_array_equal(logged.outlet_kpa, before[0])
    np.testing.assert_array_equal(learned.low_kpa, before[1])


def test_a_band_on_another_grid_is_refused(tmp_path):
    with pytest.raises(ReadingsError, match=r"band low_kpa has shape \(3,\), readings \(864,\)"):
        plot_alert(verdict(), readings(), band(low_kpa=np.zeros(3)), tmp_path / "a.png", KPA)


def test_readings_of_another_time_are_refused(tmp_path):
    far = verdict(began_s=10, raised_s=20, updated_s=20, window_s=(10, 20))
    with pytest.raises(ReadingsError, match="no readings around drift"):
        plot_alert(far, readings(), band(), tmp_path / "a.png", KPA)
    assert not (tmp_path / "a.png").exists()


def test_a_path_that_cannot_be_written_is_one_clear_error(tmp_path):
    (tmp_path / "file").write_text("x")
    with pytest.raises(OutputError, match="cannot be written"):
        plot_alert(verdict(), readings(), band(), tmp_path / "file" / "a.png", KPA)


def test_the_span_shown_has_what_was_normal_before():
    shown = scene_of(verdict(), readings(), band(), KPA, "UTC")
    assert shown.readings.start_s <= BEGAN_S - drawing.LEAST_AROUND_S
    assert shown.is_episode.sum() > 0
    assert not shown.is_episode[0]


def test_the_closed_night_says_the_share_of_the_way():
    outlet = np.full(N, 390.0)
    night = (T >= BEGAN_S) & (T <= BEGAN_S + 14_400)
    outlet[night] = np.linspace(398, 460, night.sum())
    # by hand: (460 - 398) / (646 - 398) = 25 %
    told, (axes,) = proof(verdict("creep"), readings(outlet_kpa=outlet, inlet_kpa=np.full(N, 646.0)), band())
    assert "goes 25 % of the way from lock-up to inlet" in told
    assert "25 % of the way" in " ".join(text.get_text() for text in axes.texts)


def test_the_kv_view_puts_a_valve_that_holds_set_on_its_line_and_a_stuck_one_at_its_level():
    # IEC 60534-2-1: 10 L/s at 100 kPa is Kv 36.0
    flow = np.where(T >= BEGAN_S, 10.0, 5.0)
    inlet = np.full(N, 500.0)
    outlet = np.where(T >= BEGAN_S, 400.0, 390.0)
    _, (axes,) = proof(
        verdict("failure_to_open", facts={"kv_m3h": 36.0}),
        readings(flow_lps=flow, inlet_kpa=inlet, outlet_kpa=outlet),
        band(expected_kpa=np.full(N, 390.0)),
    )
    lines = {line.get_label(): line for line in axes.lines}
    assert lines["while it lasted"].get_ydata()[-1] == pytest.approx(36.0)
    before = lines["before"]
    np.testing.assert_allclose(before.get_xdata(), before.get_ydata())
    assert lines["when raised, Kv 36"].get_ydata()[0] == pytest.approx(36.0)
    assert "fully open, Kv 190, above this chart" in lines


def test_the_spectrum_gives_a_sine_its_period_and_amplitude():
    # by hand: a sine of 20 kPa amplitude and 32 steps, a whole number of periods
    found = _amplitude_by_period(400 + 20 * np.sin(2 * np.pi * np.arange(1024) / 32), 60)
    periods_s, amplitude_kpa = found
    best = int(np.argmax(amplitude_kpa))
    assert periods_s[best] == pytest.approx(32 * 60)
    assert amplitude_kpa[best] == pytest.approx(20.0, rel=0.01)


def test_hunting_shows_wave_and_spectrum_with_the_shortest_period_the_log_can_show():
    wave = 390 + np.where(T >= BEGAN_S, 15 * np.sin(2 * np.pi * T / 1800), 0)
    told, (upper, lower) = proof(verdict("hunting"), readings(outlet_kpa=wave), band())
    assert upper.get_title(loc="left").startswith("The strongest swing, ")
    labels = [line.get_label() for line in lower.lines]
    assert "shortest the log can show, 10 min" in labels
    assert "when raised, 30 min" in labels
    assert lower.get_xlabel() == "Period, minutes"
    assert "30 min" in told


def test_the_levels_of_a_set_change_are_written_with_their_units():
    outlet = np.where(T >= BEGAN_S, 430.0, 390.0)
    told, (axes,) = proof(verdict("set_changed"), readings(outlet_kpa=outlet), band(), PSI)
    assert told == "the level of the outlet, before 56.6 psi and after 62.4 psi"  # by hand: /6.894757
    assert axes.get_ylabel() == "Outlet, psi"


def test_a_stuck_transmitter_has_its_run_marked():
    outlet = 390 + np.sin(T / 900.0)
    outlet[500:620] = 388.0
    told, _ = proof(verdict("sensor_fault", traits={"kind": "stuck"}), readings(outlet_kpa=outlet), band())
    assert "one value repeats for 10 h" in told  # 120 rows of 5 min


@pytest.mark.parametrize(
    ("values", "run"),
    [
        ([1.0, 2, 2, 2, 3], (1, 4)),
        ([np.nan, np.nan, 5, 5], (2, 4)),
        ([7.0], (0, 1)),
        ([], (0, 0)),
        ([np.nan], (0, 0)),
        ([1.0, 2, np.nan, 2, 2, 3], (1, 5)),
    ],  # a reading that is missing does not end the run
)
def test_the_longest_run_is_of_one_finite_value(values, run):
    assert _longest_run(np.array(values)) == run


def test_the_bar_of_arrived_readings_counts_what_is_there():
    outlet = np.full(N, 390.0)
    shown = scene_of(verdict("telemetry_loss"), readings(), band(), KPA, "UTC")
    quarter = len(shown.readings) // 4
    first = (shown.readings.start_s - START_S) // STEP_S
    outlet[first : first + quarter] = np.nan
    told, (axes,) = proof(verdict("telemetry_loss"), readings(outlet_kpa=outlet), band())
    assert "outlet 75 %, inlet 100 %, flow 100 %" in told
    assert [label.get_text() for label in axes.get_yticklabels()] == ["outlet", "inlet", "flow"]


floats = st.floats(-1e6, 1e6) | st.just(float("nan"))


@given(values=st.lists(floats, min_size=1, max_size=400), most=st.integers(6, 60))
def test_thinning_keeps_every_extreme_both_ends_and_the_budget(values, most):
    series = np.array(values)
    rows = thin(series, most)
    assert len(rows) <= max(most, 6)
    assert rows[0] == 0
    assert rows[-1] == len(series) - 1
    assert (np.diff(rows) > 0).all()
    if np.isfinite(series).any():
        assert np.nanmax(series[rows]) == np.nanmax(series)
        assert np.nanmin(series[rows]) == np.nanmin(series)


def test_thinning_leaves_a_gap_a_gap_and_a_short_series_alone():
    long = np.sin(np.arange(200_000) / 50.0)
    long[80_000:120_000] = np.nan
    rows = thin(long)
    assert len(rows) <= MOST_POINTS
    assert np.isnan(long[rows]).any()
    np.testing.assert_array_equal(thin(long[:10]), np.arange(10))


def luminance(colour: str) -> float:
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.03928 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


# Published: WCAG 2.x, SC 1.4.3 (text 4.5:1) and 1.4.11 (graphics 3:1), relative luminance as defined there.
@pytest.mark.parametrize(("name", "wanted"), [
    ("INK", 4.5), ("RAISED", 4.5), ("OUTLET", 3.0), ("INLET", 3.0), ("FLOW", 3.0), ("LEARNED", 3.0),
    ("FAINT", 3.0), ("OTHER", 3.0),
])  # fmt: skip
def test_colours_stand_out_from_white(name, wanted):
    assert 1.05 / (luminance(getattr(drawing, name)) + 0.05) >= wanted


def test_the_contrast_formula_gives_the_published_values():
    # Published figures recomputed in the reference sheet: black 21.000, #767676 4.542, #949494 3.033 on white
    for colour, ratio in (("#000000", 21.0), ("#767676", 4.542), ("#949494", 3.033)):
        assert 1.05 / (luminance(colour) + 0.05) == pytest.approx(ratio, abs=5e-4)
