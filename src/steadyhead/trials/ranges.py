"""Where the two sets' parameters come from: separate ranges, so that no threshold has seen the second.

The evaluation ranges are wider on nearly every axis, and shifted where a shift makes the work harder
(noisier, coarser, smaller drops, other time zones and seasons).
"""

from __future__ import annotations

from dataclasses import dataclass

Span = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Ranges:
    """Lowest and highest of each drawn parameter of a set.

    seed : root of every draw of the set
    set_kpa, drop_kpa : outlet set, and source above set [kPa]
    mean_lps : mean demand [L/s], drawn evenly in its logarithm
    use_share : share of the valve's full Kv that the usual peak takes
    margin : needles set this many times away from hunting
    compliance_s : district's stored water per pressure, in seconds of mean flow per 100 kPa
    night : weight of the night floor; zero_night_share : share of stations with nights without any flow
    hours_noise, minutes_noise : relative wander of demand
    leakage_share : leakage over mean demand, where nights are not without flow
    swing_kpa, wander_kpa : inlet's daily amplitude and slow wander
    pump_kpa : rise while a pump of the supply runs, on a third of the stations
    noise_kpa, resolution_kpa : pressure instruments; flow_noise : share
    cutoff_share : meter cut-off over mean demand
    gap_minutes : longest usual gap; deadband_kpa : of exception reporting
    time_zones, first_days : IANA names, and days (since 1970-01-01) between which runs start
    ramp_h : ramps of slow faults, drawn evenly in the logarithm
    wave_kpa, wave_s : look-alike waves on the inlet
    set_move : size of a set change, % of set
    """

    name: str
    seed: int
    set_kpa: Span
    drop_kpa: Span
    mean_lps: Span
    use_share: Span
    margin: Span
    compliance_s: Span
    night: Span
    zero_night_share: float
    hours_noise: Span
    minutes_noise: Span
    leakage_share: Span
    swing_kpa: Span
    wander_kpa: Span
    pump_kpa: Span
    noise_kpa: Span
    resolutions_kpa: tuple[float, ...]
    flow_noise: Span
    cutoff_share: Span
    gap_minutes: Span
    deadband_kpa: Span
    time_zones: tuple[str, ...]
    first_days: tuple[int, int]
    ramp_h: Span
    wave_kpa: Span
    wave_s: Span
    set_move: Span


DEVELOPMENT = Ranges(
    name="development",
    seed=20_250_101,
    set_kpa=(250.0, 550.0),
    drop_kpa=(140.0, 420.0),
    mean_lps=(2.0, 40.0),
    use_share=(0.15, 0.45),
    margin=(4.5, 9.0),
    compliance_s=(12.0, 60.0),
    night=(0.2, 0.45),
    zero_night_share=0.3,
    hours_noise=(0.03, 0.08),
    minutes_noise=(0.02, 0.05),
    leakage_share=(0.05, 0.25),
    swing_kpa=(5.0, 30.0),
    wander_kpa=(2.0, 10.0),
    pump_kpa=(10.0, 40.0),
    noise_kpa=(0.1, 0.6),
    resolutions_kpa=(0.1, 0.5, 1.0),
    flow_noise=(0.003, 0.01),
    cutoff_share=(0.005, 0.03),
    gap_minutes=(5.0, 20.0),
    deadband_kpa=(1.0, 3.0),
    time_zones=("UTC", "Europe/Oslo", "America/Chicago", "Australia/Brisbane"),
    first_days=(19_700, 20_000),
    ramp_h=(1.0, 144.0),
    wave_kpa=(10.0, 35.0),
    wave_s=(25.0, 90.0),
    set_move=(3.0, 12.0),
)

EVALUATION = Ranges(
    name="evaluation",
    seed=77_031_977,
    set_kpa=(200.0, 700.0),
    drop_kpa=(110.0, 550.0),
    mean_lps=(1.0, 80.0),
    use_share=(0.12, 0.55),
    margin=(4.0, 11.0),
    compliance_s=(8.0, 90.0),
    night=(0.15, 0.5),
    zero_night_share=0.35,
    hours_noise=(0.02, 0.1),
    minutes_noise=(0.015, 0.06),
    leakage_share=(0.03, 0.35),
    swing_kpa=(3.0, 40.0),
    wander_kpa=(1.0, 14.0),
    pump_kpa=(10.0, 60.0),
    noise_kpa=(0.05, 0.9),
    resolutions_kpa=(0.1, 0.7, 1.0, 1.4),
    flow_noise=(0.002, 0.015),
    cutoff_share=(0.003, 0.04),
    gap_minutes=(5.0, 28.0),
    deadband_kpa=(0.8, 4.0),
    time_zones=("Europe/Lisbon", "America/New_York", "Asia/Kolkata", "Pacific/Auckland", "America/Santiago"),
    first_days=(20_080, 20_420),
    ramp_h=(0.6, 168.0),
    wave_kpa=(8.0, 45.0),
    wave_s=(18.0, 120.0),
    set_move=(2.5, 15.0),
)

SETS = {ranges.name: ranges for ranges in (DEVELOPMENT, EVALUATION)}
