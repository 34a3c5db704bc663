"""What the plant writes is what the feeds read back: units, clocks, dialects, on-change reporting."""

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from steadyhead.config import parse_registry
from steadyhead.feeds.load import load_readings
from steadyhead.proving_plant import Instruments, Scenario, simulate
from steadyhead.proving_plant.log_files import Blemishes, Dialect, settled, write_log
from steadyhead.units import find_unit

BEFORE_THE_CLOCKS_CHANGE = int(
    datetime(2025, 10, 25, tzinfo=UTC).timestamp()
)  # Oslo: the 26th, 03:00 to 02:00
BASE = Dialect(
    tags={"inlet": "PIN", "outlet": "POUT", "flow": "Q"},
    units={"inlet": "bar", "outlet": "psi", "flow": "ML/d"},
    decimals={"inlet": 4, "outlet": 3, "flow": 4},
    time_zone="Europe/Oslo",
    time_form="%d.%m.%Y %H:%M",
)
DIALECTS = {
    "wide, local times": (BASE, ""),
    "wide, semicolons and decimal commas, byte order mark, a file a day, gzip": (
        replace(
            BASE,
            delimiter=";",
            decimal=",",
            line_end="\r\n",
            byte_order_mark=True,
            days_per_file=1,
            kind="csv.gz",
        ),
        "delimiter: ';', decimal: ',',",
    ),
    "long, UTC with quality": (
        replace(BASE, layout="long", with_quality=True, time_zone="UTC"),
        "layout: long, quality_column: quality, time_zone: UTC,",
    ),
    "Parquet": (replace(BASE, kind="parquet"), ""),
}


def registry(dialect: Dialect, source: str, more: str = "") -> str:
    tags = "\n".join(f"      {c}: {{tag: {t}, unit: {dialect.units[c]}}}" for c, t in dialect.tags.items())
    return f"""
stations:
  oslo:
    time_zone: Europe/Oslo
    step_s: 300
    {more}
    tags:
{tags}
    sources:
      - {{path: "oslo*", time_format: "{dialect.time_form}", {source}}}
"""


@pytest.fixture(scope="module")
def made():
    """Two days over the change of clocks, from the second hour on."""
    scenario = Scenario(
        "oslo",
        instruments=Instruments(interval_s=300),
        start_s=BEFORE_THE_CLOCKS_CHANGE,
        duration_s=2 * 86400,
        time_zone="Europe/Oslo",
    )
    return settled(simulate(scenario).readings)


@pytest.mark.parametrize("name", DIALECTS)
def test_a_log_read_back_is_what_was_simulated(made, name, tmp_path):
    dialect, source = DIALECTS[name]
    write_log(made, dialect, tmp_path, "oslo")
    read, rejects = load_readings(parse_registry(registry(dialect, source), folder=tmp_path))
    assert rejects["oslo"].total == 0
    back = read["oslo"].between(made.start_s, made.end_s)
    assert len(back) == len(made)
    for channel, array in (("inlet", "inlet_kpa"), ("outlet", "outlet_kpa"), ("flow", "flow_lps")):
        half_digit = 0.51 * 10.0 ** -dialect.decimals[channel] * find_unit(dialect.units[channel]).factor
        np.testing.assert_allclose(getattr(back, array), getattr(made, array), rtol=1e-6, atol=half_digit)


def test_a_log_of_changes_only_holds_what_the_grid_held(made, tmp_path):
    instruments = Instruments(
        interval_s=300, on_change=True, pressure_deadband_kpa=3.0, flow_deadband_lps=0.3, gaps_per_week=0.0
    )
    scenario = Scenario(
        "oslo", instruments=instruments, start_s=BEFORE_THE_CLOCKS_CHANGE, duration_s=2 * 86400
    )
    held = settled(simulate(scenario).readings)
    dialect = replace(BASE, layout="long", on_change=True, time_zone="UTC")
    written = write_log(held, dialect, tmp_path, "oslo")
    assert written.rows < 0.6 * 3 * len(held)
    text = registry(dialect, "layout: long, time_zone: UTC,", "reporting: on_change\n    heartbeat_s: 3600")
    read, _ = load_readings(parse_registry(text, folder=tmp_path))
    back = read["oslo"].between(held.start_s, held.end_s)
    n = len(back)  # the grid ends with the last report
    assert n > len(held) - 12
    np.testing.assert_allclose(back.outlet_kpa, held.outlet_kpa[:n], atol=0.01)
    np.testing.assert_allclose(back.flow_lps, held.flow_lps[:n], atol=0.01)


def test_blemishes_are_as_many_as_are_said_and_change_nothing_else(made, tmp_path):
    blemishes = Blemishes(marks=(("-999", 7), ("Bad", 5)), duplicates=4, late=6)
    written = write_log(made, BASE, tmp_path, "oslo", blemishes, seed=3)
    assert written.blemishes == {"-999": 7, "Bad": 5, "duplicates": 4, "late": 6}
    read, rejects = load_readings(parse_registry(registry(BASE, ""), folder=tmp_path))
    counts = rejects["oslo"].counts
    assert counts == {"sentinel": 7, "not_a_number": 5, "duplicate": 4 * 3}
    back = read["oslo"].between(made.start_s, made.end_s)
    known = np.isfinite(back.outlet_kpa)
    lost = int((~known & np.isfinite(made.outlet_kpa)).sum())
    assert 0 < lost <= 12
    np.testing.assert_allclose(back.outlet_kpa[known], made.outlet_kpa[known], atol=0.01)
