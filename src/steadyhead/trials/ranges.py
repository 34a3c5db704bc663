"""Where the sets' parameters come from: separate ranges, so that no threshold has seen the evaluation set.

All other ranges are wider than the development ranges on nearly every axis, and shifted where a shift makes
the work harder (noisier, coarser, smaller drops, other time zones and seasons). The sets between the first
and the last were the evaluation sets of earlier measurements; once its results had been looked at, a set can
judge no longer, so thresholds may see these now.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from steadyhead.proving_plant.draw import Ranges as DesignRanges

Span = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Ranges:
    """Lowest and highest of each drawn parameter of a set.

    seed : root of every draw of the set
    design : the station's own, see ``proving_plant.draw``
    hours_noise, minutes_noise : relative wander of demand
    swing_kpa, wander_kpa : inlet's daily amplitude and slow wander
    zero_night_share, small_valve_share, schedule_share, neighbour_share : shares of stations that have one
    noise_kpa, resolutions_kpa : pressure instruments; flow_noise : share
    cutoff_share : meter cut-off over mean demand
    gap_minutes : longest usual gap; deadband_kpa : of exception reporting
    time_zones, first_days : IANA names, and days (since 1970-01-01) between which runs start
    ramp_h : ramps of slow faults, drawn evenly in the logarithm
    wave_share, wave_s : look-alike waves on the inlet, amplitude over set pressure, and their period
    set_move : size of a set change, % of set
    """

    name: str
    seed: int
    design: DesignRanges
    hours_noise: Span
    minutes_noise: Span
    swing_kpa: Span
    wander_kpa: Span
    zero_night_share: float
    small_valve_share: float
    schedule_share: float
    neighbour_share: float
    noise_kpa: Span
    resolutions_kpa: tuple[float, ...]
    flow_noise: Span
    cutoff_share: Span
    gap_minutes: Span
    deadband_kpa: Span
    time_zones: tuple[str, ...]
    first_days: tuple[int, int]
    ramp_h: Span
    wave_share: Span
    wave_s: Span
    set_move: Span


DEVELOPMENT = Ranges(
    name="development",
    seed=20_250_101,
    design=DesignRanges(set_kpa=(250.0, 550.0), drop_kpa=(140.0, 420.0), mean_demand_lps=(2.0, 40.0)),
    hours_noise=(0.03, 0.08),
    minutes_noise=(0.02, 0.05),
    swing_kpa=(4.0, 25.0),
    wander_kpa=(2.0, 9.0),
    zero_night_share=0.3,
    small_valve_share=0.1,
    schedule_share=0.12,
    neighbour_share=0.15,
    noise_kpa=(0.1, 0.6),
    resolutions_kpa=(0.1, 0.5, 1.0),
    flow_noise=(0.003, 0.01),
    cutoff_share=(0.002, 0.01),
    gap_minutes=(5.0, 20.0),
    deadband_kpa=(1.0, 3.0),
    time_zones=("UTC", "Europe/Oslo", "America/Chicago", "Australia/Brisbane"),
    first_days=(19_700, 20_000),
    ramp_h=(6.0, 144.0),
    wave_share=(0.03, 0.08),
    wave_s=(25.0, 90.0),
    set_move=(3.0, 12.0),
)

WIDE = DesignRanges(
    full_share=(0.2, 0.65),
    lock_up_share=(0.01, 0.04),
    sense_lag_s=(0.8, 5.0),
    main_s=(0.8, 5.0),
    storage_ratio=(4.0, 18.0),
    impedance_share=(0.22, 0.65),
    liveliness=(1.8, 5.0),
    lively_lag_s=(0.8, 6.0),
    lively_main_s=(0.8, 7.0),
    lively_impedance_share=(0.4, 1.0),
    leakage_share=(0.03, 0.35),
    leakage_power=(0.5, 1.5),
    pressure_share=(0.05, 0.7),
    inlet_loss_share=(0.03, 0.25),
)
"""What the stations of all sets but the first have in common; the lines of a set stand over it."""

WIDENED = Ranges(
    name="widened",
    seed=77_031_977,
    design=replace(
        WIDE,
        set_kpa=(200.0, 700.0),
        drop_kpa=(115.0, 550.0),
        mean_demand_lps=(1.0, 80.0),
        pump_kpa=(0.0, 30.0),
    ),
    hours_noise=(0.02, 0.1),
    minutes_noise=(0.015, 0.06),
    swing_kpa=(3.0, 35.0),
    wander_kpa=(1.0, 12.0),
    zero_night_share=0.35,
    small_valve_share=0.15,
    schedule_share=0.15,
    neighbour_share=0.15,
    noise_kpa=(0.05, 0.9),
    resolutions_kpa=(0.1, 0.7, 1.0, 1.4),
    flow_noise=(0.002, 0.015),
    cutoff_share=(0.001, 0.015),
    gap_minutes=(5.0, 28.0),
    deadband_kpa=(0.8, 4.0),
    time_zones=("Europe/Lisbon", "America/New_York", "Asia/Kolkata", "Pacific/Auckland", "America/Santiago"),
    first_days=(20_080, 20_420),
    ramp_h=(4.0, 168.0),
    wave_share=(0.025, 0.1),
    wave_s=(18.0, 120.0),
    set_move=(2.5, 15.0),
)

SHIFTED = Ranges(
    name="shifted",
    seed=418_202_611,
    design=replace(
        WIDE,
        set_kpa=(180.0, 650.0),
        drop_kpa=(110.0, 500.0),
        mean_demand_lps=(1.2, 65.0),
        pump_kpa=(0.0, 35.0),
    ),
    hours_noise=(0.025, 0.11),
    minutes_noise=(0.015, 0.06),
    swing_kpa=(5.0, 32.0),
    wander_kpa=(1.5, 11.0),
    zero_night_share=0.35,
    small_valve_share=0.15,
    schedule_share=0.18,
    neighbour_share=0.18,
    noise_kpa=(0.08, 1.0),
    resolutions_kpa=(0.2, 0.7, 1.0, 1.3),
    flow_noise=(0.002, 0.015),
    cutoff_share=(0.001, 0.015),
    gap_minutes=(4.0, 26.0),
    deadband_kpa=(0.7, 3.5),
    time_zones=("Europe/Madrid", "America/Denver", "Asia/Tokyo", "Australia/Adelaide", "Africa/Nairobi"),
    first_days=(20_500, 20_780),
    ramp_h=(5.0, 160.0),
    wave_share=(0.025, 0.1),
    wave_s=(20.0, 110.0),
    set_move=(2.5, 14.0),
)

STRETCHED = Ranges(
    name="stretched",
    seed=960_417_253,
    design=replace(
        WIDE,
        set_kpa=(190.0, 680.0),
        drop_kpa=(120.0, 520.0),
        mean_demand_lps=(1.1, 72.0),
        pump_kpa=(0.0, 32.0),
    ),
    hours_noise=(0.02, 0.105),
    minutes_noise=(0.018, 0.065),
    swing_kpa=(4.0, 34.0),
    wander_kpa=(2.0, 12.0),
    zero_night_share=0.35,
    small_valve_share=0.15,
    schedule_share=0.16,
    neighbour_share=0.16,
    noise_kpa=(0.06, 0.95),
    resolutions_kpa=(0.25, 0.6, 1.0, 1.4),
    flow_noise=(0.002, 0.015),
    cutoff_share=(0.001, 0.015),
    gap_minutes=(4.0, 27.0),
    deadband_kpa=(0.9, 3.8),
    time_zones=("Europe/Athens", "America/Halifax", "Asia/Karachi", "Australia/Sydney", "America/Bogota"),
    first_days=(20_820, 21_120),
    ramp_h=(4.5, 165.0),
    wave_share=(0.025, 0.1),
    wave_s=(19.0, 115.0),
    set_move=(2.5, 14.5),
)

VARIED = Ranges(
    name="varied",
    seed=359_302_520,
    design=replace(
        WIDE,
        set_kpa=(185.0, 690.0),
        drop_kpa=(115.0, 530.0),
        mean_demand_lps=(1.0, 75.0),
        pump_kpa=(0.0, 34.0),
    ),
    hours_noise=(0.02, 0.11),
    minutes_noise=(0.015, 0.065),
    swing_kpa=(3.5, 36.0),
    wander_kpa=(1.5, 12.5),
    zero_night_share=0.34,
    small_valve_share=0.15,
    schedule_share=0.17,
    neighbour_share=0.17,
    noise_kpa=(0.07, 1.0),
    resolutions_kpa=(0.15, 0.5, 0.9, 1.5),
    flow_noise=(0.002, 0.016),
    cutoff_share=(0.001, 0.015),
    gap_minutes=(4.0, 28.0),
    deadband_kpa=(0.8, 3.9),
    time_zones=("Europe/Dublin", "America/Regina", "Asia/Dubai", "Pacific/Noumea", "America/Montevideo"),
    first_days=(21_150, 21_480),
    ramp_h=(4.0, 168.0),
    wave_share=(0.025, 0.1),
    wave_s=(18.0, 118.0),
    set_move=(2.5, 15.0),
)

BROADENED = Ranges(
    name="broadened",
    seed=306_150_052,
    design=replace(
        WIDE,
        set_kpa=(195.0, 705.0),
        drop_kpa=(118.0, 545.0),
        mean_demand_lps=(1.0, 78.0),
        pump_kpa=(0.0, 33.0),
    ),
    hours_noise=(0.022, 0.108),
    minutes_noise=(0.016, 0.066),
    swing_kpa=(3.0, 37.0),
    wander_kpa=(1.2, 12.2),
    zero_night_share=0.36,
    small_valve_share=0.16,
    schedule_share=0.15,
    neighbour_share=0.16,
    noise_kpa=(0.06, 1.0),
    resolutions_kpa=(0.2, 0.65, 1.0, 1.5),
    flow_noise=(0.002, 0.016),
    cutoff_share=(0.001, 0.015),
    gap_minutes=(4.5, 28.0),
    deadband_kpa=(0.75, 4.0),
    time_zones=("Europe/Tallinn", "America/Winnipeg", "Asia/Colombo", "Australia/Perth", "America/Asuncion"),
    first_days=(21_500, 21_840),
    ramp_h=(4.2, 170.0),
    wave_share=(0.025, 0.1),
    wave_s=(18.5, 120.0),
    set_move=(2.5, 15.0),
)

ALTERED = Ranges(
    name="altered",
    seed=418_950_105,
    design=replace(
        WIDE,
        set_kpa=(188.0, 695.0),
        drop_kpa=(116.0, 555.0),
        mean_demand_lps=(1.1, 80.0),
        pump_kpa=(0.0, 35.0),
    ),
    hours_noise=(0.021, 0.112),
    minutes_noise=(0.017, 0.067),
    swing_kpa=(3.2, 38.0),
    wander_kpa=(1.4, 12.6),
    zero_night_share=0.35,
    small_valve_share=0.17,
    schedule_share=0.16,
    neighbour_share=0.17,
    noise_kpa=(0.08, 1.0),
    resolutions_kpa=(0.18, 0.55, 0.95, 1.5),
    flow_noise=(0.0025, 0.016),
    cutoff_share=(0.001, 0.015),
    gap_minutes=(4.2, 29.0),
    deadband_kpa=(0.85, 4.0),
    time_zones=("Europe/Vilnius", "America/Edmonton", "Asia/Dhaka", "Australia/Hobart", "America/La_Paz"),
    first_days=(21_860, 22_200),
    ramp_h=(4.3, 170.0),
    wave_share=(0.025, 0.1),
    wave_s=(18.0, 121.0),
    set_move=(2.5, 15.0),
)

RENEWED = Ranges(
    name="renewed",
    seed=230_005_683,
    design=replace(
        WIDE,
        set_kpa=(182.0, 710.0),
        drop_kpa=(114.0, 540.0),
        mean_demand_lps=(1.0, 76.0),
        pump_kpa=(0.0, 36.0),
    ),
    hours_noise=(0.02, 0.114),
    minutes_noise=(0.016, 0.068),
    swing_kpa=(3.4, 37.0),
    wander_kpa=(1.3, 12.8),
    zero_night_share=0.36,
    small_valve_share=0.16,
    schedule_share=0.17,
    neighbour_share=0.16,
    noise_kpa=(0.07, 1.0),
    resolutions_kpa=(0.15, 0.6, 1.0, 1.5),
    flow_noise=(0.002, 0.017),
    cutoff_share=(0.001, 0.015),
    gap_minutes=(4.0, 29.0),
    deadband_kpa=(0.8, 4.1),
    time_zones=("Europe/Sofia", "America/Phoenix", "Asia/Manila", "Australia/Darwin", "America/Lima"),
    first_days=(22_220, 22_560),
    ramp_h=(4.1, 171.0),
    wave_share=(0.025, 0.1),
    wave_s=(18.2, 122.0),
    set_move=(2.5, 15.0),
)

REWORKED = Ranges(
    name="reworked",
    seed=426_718_092,
    design=replace(
        WIDE,
        set_kpa=(192.0, 700.0),
        drop_kpa=(112.0, 550.0),
        mean_demand_lps=(1.1, 82.0),
        pump_kpa=(0.0, 34.0),
    ),
    hours_noise=(0.023, 0.11),
    minutes_noise=(0.015, 0.067),
    swing_kpa=(3.6, 39.0),
    wander_kpa=(1.5, 12.4),
    zero_night_share=0.35,
    small_valve_share=0.15,
    schedule_share=0.18,
    neighbour_share=0.18,
    noise_kpa=(0.06, 1.0),
    resolutions_kpa=(0.2, 0.5, 0.9, 1.4),
    flow_noise=(0.0025, 0.017),
    cutoff_share=(0.001, 0.015),
    gap_minutes=(4.4, 28.0),
    deadband_kpa=(0.9, 3.9),
    time_zones=("Europe/Zurich", "America/Toronto", "Asia/Seoul", "Pacific/Fiji", "America/Guayaquil"),
    first_days=(22_580, 22_920),
    ramp_h=(4.4, 169.0),
    wave_share=(0.025, 0.1),
    wave_s=(18.4, 121.0),
    set_move=(2.5, 15.0),
)

REDRAWN = Ranges(
    name="redrawn",
    seed=224_358_010,
    design=replace(
        WIDE,
        set_kpa=(186.0, 690.0),
        drop_kpa=(115.0, 548.0),
        mean_demand_lps=(1.0, 79.0),
        pump_kpa=(0.0, 33.0),
    ),
    hours_noise=(0.021, 0.111),
    minutes_noise=(0.017, 0.066),
    swing_kpa=(3.1, 36.0),
    wander_kpa=(1.2, 12.7),
    zero_night_share=0.34,
    small_valve_share=0.17,
    schedule_share=0.16,
    neighbour_share=0.17,
    noise_kpa=(0.08, 1.0),
    resolutions_kpa=(0.15, 0.6, 0.95, 1.5),
    flow_noise=(0.002, 0.016),
    cutoff_share=(0.001, 0.015),
    gap_minutes=(4.1, 29.0),
    deadband_kpa=(0.85, 4.0),
    time_zones=("Europe/Helsinki", "America/Boise", "Asia/Jakarta", "Australia/Melbourne", "America/Caracas"),
    first_days=(22_940, 23_280),
    ramp_h=(4.2, 168.0),
    wave_share=(0.025, 0.1),
    wave_s=(18.1, 120.0),
    set_move=(2.5, 15.0),
)

REFRESHED = Ranges(
    name="refreshed",
    seed=402_588_585,
    design=replace(
        WIDE,
        set_kpa=(190.0, 710.0),
        drop_kpa=(110.0, 545.0),
        mean_demand_lps=(1.2, 84.0),
        pump_kpa=(0.0, 35.0),
    ),
    hours_noise=(0.022, 0.112),
    minutes_noise=(0.016, 0.068),
    swing_kpa=(3.4, 38.0),
    wander_kpa=(1.3, 12.2),
    zero_night_share=0.36,
    small_valve_share=0.16,
    schedule_share=0.19,
    neighbour_share=0.19,
    noise_kpa=(0.07, 1.0),
    resolutions_kpa=(0.18, 0.55, 1.1, 1.45),
    flow_noise=(0.0022, 0.0165),
    cutoff_share=(0.001, 0.015),
    gap_minutes=(4.6, 27.0),
    deadband_kpa=(0.95, 3.8),
    time_zones=("Europe/Warsaw", "America/Halifax", "Asia/Manila", "Australia/Darwin", "America/La_Paz"),
    first_days=(23_300, 23_640),
    ramp_h=(4.5, 170.0),
    wave_share=(0.025, 0.1),
    wave_s=(18.6, 122.0),
    set_move=(2.5, 15.0),
)

EVALUATION = Ranges(
    name="evaluation",
    seed=222_588_510,
    design=replace(
        WIDE,
        set_kpa=(188.0, 700.0),
        drop_kpa=(113.0, 552.0),
        mean_demand_lps=(1.1, 80.0),
        pump_kpa=(0.0, 34.0),
    ),
    hours_noise=(0.023, 0.109),
    minutes_noise=(0.018, 0.067),
    swing_kpa=(3.2, 37.0),
    wander_kpa=(1.4, 12.5),
    zero_night_share=0.35,
    small_valve_share=0.18,
    schedule_share=0.17,
    neighbour_share=0.16,
    noise_kpa=(0.05, 1.0),
    resolutions_kpa=(0.25, 0.65, 0.85, 1.35),
    flow_noise=(0.0024, 0.0158),
    cutoff_share=(0.001, 0.015),
    gap_minutes=(4.3, 26.0),
    deadband_kpa=(0.88, 3.95),
    time_zones=("Europe/Lisbon", "America/Denver", "Asia/Karachi", "Australia/Hobart", "America/Montevideo"),
    first_days=(23_660, 24_000),
    ramp_h=(4.3, 167.0),
    wave_share=(0.025, 0.1),
    wave_s=(18.3, 123.0),
    set_move=(2.5, 15.0),
)

SETS = {
    ranges.name: ranges
    for ranges in (
        DEVELOPMENT,
        WIDENED,
        SHIFTED,
        STRETCHED,
        VARIED,
        BROADENED,
        ALTERED,
        RENEWED,
        REWORKED,
        REDRAWN,
        REFRESHED,
        EVALUATION,
    )
}
