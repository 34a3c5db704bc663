"""All figures of one station: the week, the four before, and what was learned."""

from __future__ import annotations

from collections.abc import Sequence

from steadyhead.profile.model import Profile
from steadyhead.weekly.compare import change, least_change
from steadyhead.weekly.definitions import DEFINITIONS
from steadyhead.weekly.families.alerts import Episode, alerts
from steadyhead.weekly.families.cavitation import cavitation
from steadyhead.weekly.families.closed import closed
from steadyhead.weekly.families.completeness import completeness
from steadyhead.weekly.families.droop import droop, learned_droop_kpa
from steadyhead.weekly.families.hunting import hunting
from steadyhead.weekly.families.inlet import inlet
from steadyhead.weekly.families.kv_reserve import kv_reserve, learned_reserve
from steadyhead.weekly.families.night_flow import learned_night_flow_lps, night_flow
from steadyhead.weekly.families.regulation import regulation
from steadyhead.weekly.families.scatter import scatter
from steadyhead.weekly.look import NO_PROFILE, Look
from steadyhead.weekly.model import Figure, Value

Values = dict[str, Value]


def values_of(look: Look, episodes: Sequence[Episode], sigma_limit: float, *, has_desk: bool) -> Values:
    """Every figure of one week; keys are those of the definitions."""
    no_alerts = None if look.profile is not None else NO_PROFILE
    if no_alerts is None and not len(look):
        no_alerts = "there are no readings"
    return {
        **regulation(look),
        **droop(look),
        **scatter(look),
        **hunting(look, episodes),
        **closed(look),
        **kv_reserve(look),
        **cavitation(look, sigma_limit),
        **inlet(look),
        **night_flow(look),
        **completeness(look),
        **alerts(episodes, look.from_s, look.to_s, has_desk=has_desk, why_not=no_alerts),
    }


def learned_values(profile: Profile | None) -> dict[str, float | None]:
    """What was learned, by the keys of the figures that have a counterpart."""
    if profile is None:
        return {}
    lock_up = profile.lock_up
    return {
        "level": 0.0,
        "droop": learned_droop_kpa(profile),
        "scatter": profile.scatter.tick_kpa,
        "creep_way": lock_up.way_high if lock_up.closed_nights and profile.has_inlet else None,
        "lock_up_rise": lock_up.rise_kpa if lock_up.closed_nights else None,
        "kv_reserve": learned_reserve(profile),
        "night_flow": learned_night_flow_lps(profile),
    }


def figures_of(
    this: Values, before: Sequence[Values | None], profile: Profile | None, *, is_judged: bool = True
) -> tuple[Figure, ...]:
    """Figures in the order of the definitions.

    before : of the four weeks before, oldest first; None for a week without readings
    is_judged : False where nothing may be called worse or better, such as for a station out of service
    """
    learned = learned_values(profile)
    set_kpa = None if profile is None else profile.set_pressure.typical_kpa
    found = []
    for key, defined in DEFINITIONS.items():
        value = this[key]
        earlier = tuple(None if week is None else week[key].value for week in before)
        found.append(
            Figure(
                key=key,
                name=defined.name,
                unit=defined.unit,
                value=value.value,
                why_not=value.why_not,
                note=value.note,
                before=earlier,
                profile=learned.get(key),
                change=change(defined, value.value, earlier, set_kpa) if is_judged else "unknown",
                least=least_change(defined, earlier, set_kpa),
            )
        )
    return tuple(found)
