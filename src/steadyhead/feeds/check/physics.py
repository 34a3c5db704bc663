"""Whether the numbers can be those of a pressure-reducing station, in the units declared for them."""

from __future__ import annotations

from steadyhead.config import Station
from steadyhead.feeds.check.findings import Finding
from steadyhead.feeds.check.flows import flow_unit
from steadyhead.feeds.check.look import Look
from steadyhead.feeds.check.pressures import Pressures
from steadyhead.feeds.check.signs import mixed_units, turned_signs
from steadyhead.readings.frame import Readings


def judge_physics(rows: Readings, station: Station) -> tuple[list[Finding], list[str]]:
    """Findings on units, signs, swapped tags and absolute pressures; and what could not be judged.

    A number with the wrong sign, or in two units, is not judged for its size as well.
    """
    look = Look(rows, station)
    signs, mixed = list(turned_signs(look)), list(mixed_units(look))
    turned = {found.role for found in signs}
    found = [*signs, *mixed]
    if not mixed and not turned & {"inlet", "outlet"}:
        found += Pressures(look).all()
    if "flow" not in turned:
        found += flow_unit(look)
    return found, look.unjudged
