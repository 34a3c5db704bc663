"""Physics of water in valves, mains and leaks, each relation with its source.

Working units: kPa gauge, L/s, mm, seconds, degrees Celsius; Kv in m3/h at 1 bar. Cavitation and choking
need absolute pressures: the functions take gauge ones and add the atmosphere, about 101.3 kPa at sea level
and less at altitude (``atmosphere_kpa``).

Where an argument is typed ``Real``, a number or an array may be given; such functions broadcast and return
an array of the common shape (without dimensions for plain numbers: ``float(...)`` unwraps it).
"""

from __future__ import annotations

import math

import numpy as np

from steadyhead.errors import ReadingsError
from steadyhead.types import BoolArray, FloatArray

Real = float | FloatArray

GRAVITY_M_PER_S2 = 9.80665  # standard gravity, CGPM 1901
SEA_LEVEL_KPA = 101.325  # standard atmosphere, ISO 2533
CRITICAL_KPA = 22064.0  # critical pressure of water, IAPWS R2-83
USUAL_WATER_C = 15.0  # mains water where nobody measures it; its vapour pressure is 1.7 kPa
KV_PER_CV = 60.0 * 3.785411784e-3 / math.sqrt(6.894757293168361 / 100.0)
"""0.86498: Kv is m3/h at 1 bar, Cv US gal/min at 1 psi; from the exact units, equal density."""

# IAPWS R7-97 (IF97), table 34: the saturation line
_SATURATION = (
    0.11670521452767e4, -0.72421316703206e6, -0.17073846940092e2, 0.12020824702470e5, -0.32325550322333e7,
    0.14915108613530e2, -0.48232657361591e4, 0.40511340542057e6, -0.23855557567849, 0.65017534844798e3,
)  # fmt: skip


# --- valves ---------------------------------------------------------------------------------------------


def effective_kv(
    flow_lps: FloatArray, inlet_kpa: FloatArray, outlet_kpa: FloatArray, relative_density: float = 1.0
) -> FloatArray:
    """Flow coefficient that is shown at each reading.

    flow_lps : shape (n,) [L/s];  inlet_kpa, outlet_kpa : same shape, gauge [kPa]
    Returns shape (n,) [m3/h at 1 bar]; NaN where the inlet is not above the outlet (zero would read as a
    shut valve) or a reading is NaN.
    Raises ReadingsError if the shapes differ.
    Source: IEC 60534-2-1, liquid, turbulent, not choked. 10 L/s at 100 kPa gives 36.0.
    """
    shapes = {np.shape(flow_lps), np.shape(inlet_kpa), np.shape(outlet_kpa)}
    if len(shapes) != 1:
        raise ReadingsError(
            f"Kv: flow has shape {np.shape(flow_lps)}, inlet {np.shape(inlet_kpa)}, "
            f"outlet {np.shape(outlet_kpa)}; give one shape"
        )
    drop_kpa = np.subtract(inlet_kpa, outlet_kpa)
    drop_kpa = np.where(drop_kpa > 0.0, drop_kpa, np.nan)
    return np.asarray(3.6 * np.asarray(flow_lps) * np.sqrt(100.0 * relative_density / drop_kpa))


def flow_through_kv_lps(kv_m3h: Real, drop_kpa: Real, relative_density: float = 1.0) -> FloatArray:
    """Flow [L/s] that a pressure drop [kPa] drives through a flow coefficient; NaN for a negative drop.

    Source: IEC 60534-2-1, liquid, turbulent, not choked.
    """
    drop = np.asarray(drop_kpa, dtype=np.float64)
    drop = np.where(drop >= 0.0, drop, np.nan)
    return np.asarray(kv_m3h / 3.6 * np.sqrt(drop / (100.0 * relative_density)))


def loss_through_kv_kpa(flow_lps: Real, kv_m3h: Real, relative_density: float = 1.0) -> FloatArray:
    """Pressure [kPa] that a flow [L/s] loses in a flow coefficient; NaN where that is not positive.

    With the Kv of the wide-open valve it is the minimum differential: with less between inlet and wanted
    outlet the valve cannot hold the outlet at that flow. Source: IEC 60534-2-1.
    """
    kv = np.asarray(kv_m3h, dtype=np.float64)
    kv = np.where(kv > 0.0, kv, np.nan)
    return np.asarray(100.0 * relative_density * np.square(3.6 * np.asarray(flow_lps) / kv))


def kv_from_cv(cv_gpm: float) -> float:
    """Kv [m3/h at 1 bar] of a valve whose Cv [US gal/min at 1 psi] is known."""
    return KV_PER_CV * cv_gpm


def cv_from_kv(kv_m3h: float) -> float:
    """Cv [US gal/min at 1 psi] of a valve whose Kv [m3/h at 1 bar] is known."""
    return kv_m3h / KV_PER_CV


def kv_from_loss_coefficient(loss_coefficient: float, size_mm: float) -> float:
    """Kv [m3/h at 1 bar] of a fitting with head loss K v^2 / 2g, v in the bore ``size_mm``.

    From the two definitions at 1000 kg/m3: Kv = 3600 A sqrt(2 * 100 / K), A in m2.
    Raises ReadingsError if either number is not positive.
    """
    if not (loss_coefficient > 0.0 and size_mm > 0.0):
        raise ReadingsError(f"Kv: K is {loss_coefficient} and size {size_mm} mm; both must be more than 0")
    return 3600.0 * _bore_m2(size_mm) * math.sqrt(200.0 / loss_coefficient)


def loss_coefficient_from_kv(kv_m3h: float, size_mm: float) -> float:
    """Loss coefficient K, on the velocity in the bore ``size_mm``, of a valve whose Kv is known."""
    if not (kv_m3h > 0.0 and size_mm > 0.0):
        raise ReadingsError(f"K: Kv is {kv_m3h} and size {size_mm} mm; both must be more than 0")
    return 200.0 * (3600.0 * _bore_m2(size_mm) / kv_m3h) ** 2


def cavitation_index(
    inlet_kpa: Real,
    outlet_kpa: Real,
    *,
    water_c: float = USUAL_WATER_C,
    atmosphere_kpa: float = SEA_LEVEL_KPA,
) -> FloatArray:
    """Sigma = (P1 - Pv) / (P1 - P2), absolute pressures: the larger, the safer.

    inlet_kpa, outlet_kpa : gauge [kPa]. NaN where the inlet is not above the outlet.
    Source: ISA-RP75.23-1995. Other texts call sigma - 1, or the inverse, by the same name. At which value
    a valve is damaged depends on its design and is found by test.
    """
    drop = np.asarray(np.subtract(inlet_kpa, outlet_kpa), dtype=np.float64)
    drop = np.where(drop > 0.0, drop, np.nan)
    return np.asarray((inlet_kpa + (atmosphere_kpa - vapour_pressure_kpa(water_c))) / drop)


def critical_pressure_ratio(vapour_kpa: float, critical_kpa: float = CRITICAL_KPA) -> float:
    """FF, the ratio of the pressure at which choked flow boils to the vapour pressure.

    Source: IEC 60534-2-1: 0.96 - 0.28 sqrt(Pv / Pc), absolute pressures.
    """
    return 0.96 - 0.28 * math.sqrt(vapour_kpa / critical_kpa)


def choked_drop_kpa(
    inlet_kpa: Real,
    recovery_factor: float,
    *,
    water_c: float = USUAL_WATER_C,
    atmosphere_kpa: float = SEA_LEVEL_KPA,
) -> FloatArray:
    """Pressure drop [kPa] beyond which more drop brings no more flow: FL^2 (P1 - FF Pv).

    inlet_kpa : gauge [kPa];  recovery_factor : FL of the valve, 0 to 1, from its papers.
    Source: IEC 60534-2-1.
    """
    vapour = vapour_pressure_kpa(water_c)
    least = critical_pressure_ratio(vapour) * vapour
    return np.asarray(recovery_factor**2 * (np.asarray(inlet_kpa) + (atmosphere_kpa - least)))


def is_choked(
    inlet_kpa: Real,
    outlet_kpa: Real,
    recovery_factor: float,
    *,
    water_c: float = USUAL_WATER_C,
    atmosphere_kpa: float = SEA_LEVEL_KPA,
) -> BoolArray:
    """Whether the drop from inlet to outlet (gauge) has reached the choked limit; see ``choked_drop_kpa``."""
    limit = choked_drop_kpa(inlet_kpa, recovery_factor, water_c=water_c, atmosphere_kpa=atmosphere_kpa)
    return np.asarray(np.subtract(inlet_kpa, outlet_kpa) >= limit)


# --- water and air --------------------------------------------------------------------------------------


def vapour_pressure_kpa(water_c: float) -> float:
    """Vapour pressure of water, absolute [kPa], 0 to 370 degrees Celsius.

    Source: IAPWS R7-97 (IF97), equation 30, the saturation line.
    Raises ReadingsError outside its range.
    """
    if not 0.0 <= water_c <= 370.0:
        raise ReadingsError(f"vapour pressure: water at {water_c} C, wanted 0 to 370")
    n = _SATURATION
    kelvin = water_c + 273.15
    theta = kelvin + n[8] / (kelvin - n[9])
    a = theta**2 + n[0] * theta + n[1]
    b = n[2] * theta**2 + n[3] * theta + n[4]
    c = n[5] * theta**2 + n[6] * theta + n[7]
    return 1000.0 * (2.0 * c / (-b + math.sqrt(b * b - 4.0 * a * c))) ** 4


def water_density_kg_m3(water_c: float) -> float:
    """Density of air-free water at 1 atmosphere [kg/m3], 0 to 40 degrees Celsius.

    Source: Tanaka et al., Metrologia 38 (2001) 301. Pressure adds about 0.5 kg/m3 per 1000 kPa, left out.
    Raises ReadingsError outside its range.
    """
    if not 0.0 <= water_c <= 40.0:
        raise ReadingsError(f"density: water at {water_c} C, wanted 0 to 40")
    bend = (water_c - 3.983035) ** 2 * (water_c + 301.797) / (522528.9 * (water_c + 69.34881))
    return 999.974950 * (1.0 - bend)


def kpa_per_metre(water_c: float = USUAL_WATER_C) -> float:
    """Pressure of a metre of water of that temperature [kPa]; the conventional metre is 9.80665."""
    return water_density_kg_m3(water_c) * GRAVITY_M_PER_S2 / 1000.0


def atmosphere_kpa(altitude_m: float) -> float:
    """Usual absolute air pressure [kPa] at an altitude up to 11 km.

    Source: ISO 2533 (standard atmosphere), troposphere.
    Raises ReadingsError outside -1000 to 11000 m.
    """
    if not -1000.0 <= altitude_m <= 11000.0:
        raise ReadingsError(f"atmosphere: altitude is {altitude_m} m, wanted -1000 to 11000")
    earth_m = 6356766.0
    geopotential_m = earth_m * altitude_m / (earth_m + altitude_m)
    return float(SEA_LEVEL_KPA * (1.0 - 0.0065 * geopotential_m / 288.15) ** 5.2558797)


# --- leakage, demand and transients ---------------------------------------------------------------------


def leakage_ratio(pressure_ratio: Real, exponent: float) -> FloatArray:
    """Factor by which leakage changes when pressure does: (P1/P0)^N1, heads at the leaks.

    exponent : N1, 0.5 for a hole of fixed area, 1.5 for one that grows with pressure, about 1 for a network.
    Source: Water Loss Control (textbook), power law.
    """
    return np.asarray(np.power(pressure_ratio, exponent))


def favad_flow_lps(head_m: Real, area_m2: float, area_slope_m: float, discharge: float = 0.6) -> FloatArray:
    """Flow [L/s] of a leak whose area grows with head: Cd sqrt(2 g) (A0 h^0.5 + m h^1.5).

    head_m : at the leak [m];  area_m2 : A0, at no pressure;  area_slope_m : m, area per head [m2/m]
    Source: May 1994 (FAVAD), standard gravity.
    """
    head = np.asarray(head_m, dtype=np.float64)
    speed = discharge * math.sqrt(2.0 * GRAVITY_M_PER_S2)
    return np.asarray(1000.0 * speed * (area_m2 * head**0.5 + area_slope_m * head**1.5))


def favad_exponent(leakage_number: Real) -> FloatArray:
    """Local exponent N1 of such a leak: (0.5 + 1.5 LN) / (1 + LN), LN = m h / A0.

    Source: derivative of the relation of ``favad_flow_lps``; that number is in Water Supply 15 (2015) 1373.
    """
    number = np.asarray(leakage_number, dtype=np.float64)
    return np.asarray((0.5 + 1.5 * number) / (1.0 + number))


def delivered_demand_lps(demand_lps: Real, pressure_kpa: Real, required_kpa: float) -> FloatArray:
    """Demand [L/s] that is served at a pressure [kPa gauge]: in full from ``required_kpa`` on, none below 0.

    Source: Wagner, Shamir & Marks 1988, D sqrt(p / p_required) between.
    """
    if not required_kpa > 0.0:
        raise ReadingsError(f"demand: required pressure is {required_kpa} kPa, wanted more than 0")
    share = np.clip(np.asarray(pressure_kpa, dtype=np.float64) / required_kpa, 0.0, 1.0)
    return np.asarray(demand_lps * np.sqrt(share))


def surge_kpa(
    speed_change_m_s: float, wave_speed_m_s: float = 1200.0, density_kg_m3: float = 1000.0
) -> float:
    """Largest pressure rise [kPa] from stopping a flow at once: rho a dv.

    wave_speed_m_s : about 1200 in metal mains, 300 to 500 in plastic ones (common practice, no source).
    Source: Joukowsky 1898. A bound: it is reached if the flow changes within ``echo_s``.
    """
    return density_kg_m3 * wave_speed_m_s * abs(speed_change_m_s) / 1000.0


def echo_s(length_m: float, wave_speed_m_s: float = 1200.0) -> float:
    """Time [s] for a pressure wave to the far end of a main and back: 2 L / a."""
    if not wave_speed_m_s > 0.0:
        raise ReadingsError(f"echo: wave speed is {wave_speed_m_s} m/s, wanted more than 0")
    return 2.0 * length_m / wave_speed_m_s


def _bore_m2(size_mm: float) -> float:
    return math.pi / 4.0 * (size_mm / 1000.0) ** 2
