"""Unit conversions against exact definitions and scipy.constants."""

import math

import fluids
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import constants

from steadyhead import units
from steadyhead.errors import RegistryError

# Published figures: NIST SP 811, Appendix B.8, printed to 7 digits (figures from memory). Independent: the
# third column, from scipy.constants (CODATA and exact definitions), which is exact to float precision.
PRESSURE_KPA = [
    ("psi", 6.894757, constants.psi / 1e3),
    ("bar", 100.0, constants.bar / 1e3),
    ("MPa", 1000.0, constants.mega / 1e3),
    ("kPa", 1.0, constants.kilo / 1e3),
    ("m", 9.80665, constants.g * 1000 / 1e3),
    ("ft", 2.989067, constants.g * 1000 * constants.foot / 1e3),
    ("kgf/cm2", 98.0665, constants.kgf / constants.centi**2 / 1e3),
]
FLOW_LPS = [
    ("L/s", 1.0, constants.liter * 1e3),
    ("L/min", 0.01666667, constants.liter / constants.minute * 1e3),
    ("m3/h", 0.2777778, 1e3 / constants.hour),
    ("gpm", 0.06309020, constants.gallon_US / constants.minute * 1e3),
    ("imp gpm", 0.07576817, constants.gallon_imp / constants.minute * 1e3),
    ("ML/d", 11.574074, constants.mega * constants.liter / constants.day * 1e3),
    ("MGD", 43.81264, constants.mega * constants.gallon_US / constants.day * 1e3),
    ("ft3/s", 28.31685, constants.foot**3 * 1e3),
]


@pytest.mark.parametrize(("unit", "published", "independent"), PRESSURE_KPA + FLOW_LPS)
def test_one_of_a_unit_is_what_its_definition_says(unit, published, independent):
    assert units.to_working(1.0, unit) == pytest.approx(published, rel=5e-7)
    assert units.to_working(1.0, unit) == pytest.approx(independent, rel=1e-12)


def test_every_known_unit_is_checked_against_an_outside_figure():
    assert {row[0] for row in PRESSURE_KPA} == set(units.names("pressure"))
    assert {row[0] for row in FLOW_LPS} == set(units.names("flow"))


@given(
    st.sampled_from(units.names()),
    st.floats(-1e6, 1e6).filter(lambda x: x == 0 or abs(x) > 1e-6),
)
def test_there_and_back_gives_the_same_number(unit, value):
    assert units.from_working(units.to_working(value, unit), unit) == pytest.approx(value, rel=1e-14)


def test_arrays_keep_shape_and_missing_values():
    kpa = units.to_working(np.array([[10.0, np.nan], [0.0, -1.0]]), "psi")
    assert kpa.shape == (2, 2)
    assert np.isnan(kpa[0, 1])
    assert kpa[0, 0] == pytest.approx(68.94757, rel=1e-6)


def test_kv_of_one_cv_agrees_with_the_library_fluids():
    # Independent: fluids.Cv_to_Kv; by hand from exact definitions 0.86497766. IEC 60534-2-1 rounds to 0.865.
    assert fluids.Cv_to_Kv(1.0) == pytest.approx(units.KV_PER_CV, rel=1e-7)
    assert pytest.approx(0.86497766, rel=1e-7) == units.KV_PER_CV


def test_two_factors_of_the_trade_follow():
    # By hand from the exact definitions: 1 psi = 2.30665873 ft of conventional water; 2.309 is at 62 F.
    assert units.from_working(units.to_working(1.0, "psi"), "ft") == pytest.approx(2.30665873, rel=1e-8)


@pytest.mark.parametrize(
    ("spelling", "name"),
    [("PSI", "psi"), ("m3/hr", "m3/h"), ("m³/h", "m3/h"), ("US  gpm", "gpm"), ("LPS", "L/s"), ("mH2O", "m")],
)
def test_spellings_of_logs_are_understood(spelling, name):
    assert units.find_unit(spelling).name == name


def test_a_small_m_is_not_taken_for_mega():
    for milli in ("mPa", "ml/d"):
        with pytest.raises(RegistryError, match="is not a known unit"):
            units.find_unit(milli)


def test_an_unknown_unit_lists_the_known_ones_and_the_nearest():
    with pytest.raises(RegistryError) as error:
        units.find_unit("psig", "pressure")
    assert str(error.value) == (
        '"psig" is not a known unit; use one of kPa, psi, bar, MPa, m, ft, kgf/cm2; did you mean psi?'
    )
    with pytest.raises(RegistryError) as error:
        units.find_unit("furlong")
    assert "did you mean" not in str(error.value)
    assert all(name in str(error.value) for name in units.names())


def test_a_unit_of_the_wrong_quantity_is_refused():
    with pytest.raises(RegistryError, match='"gpm" is a unit of flow, not of pressure; use one of kPa'):
        units.find_unit("gpm", "pressure")


def test_people_see_the_units_they_chose():
    psi = units.UNIT_SYSTEMS["psi_gpm"]
    assert psi.pressure_text(401.3) == "58.2 psi"
    assert psi.flow_text(26.0) == "412 gpm"
    assert units.UNIT_SYSTEMS["bar_m3h"].pressure_text(401.3) == "4.01 bar"
    assert units.UNIT_SYSTEMS["m_lps"].flow_text(26.04) == "26.0 L/s"
    assert math.isclose(units.UNIT_SYSTEMS["kpa_lps"].pressure_from_kpa(3.0), 3.0)
