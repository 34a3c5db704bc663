"""Signs that are turned, and values in two units: what spoils a tag whatever its size."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from steadyhead.config import Role
from steadyhead.feeds.check.findings import Finding
from steadyhead.feeds.check.look import FEW, Look
from steadyhead.units import UNITS

_PRESSURES: tuple[Role, ...] = ("inlet", "outlet")
_FLOWS: tuple[Role, ...] = ("flow",)


def turned_signs(look: Look) -> Iterator[Finding]:
    """Roles most of whose values are negative."""
    for role in _PRESSURES + _FLOWS:
        values = look.of(role)
        known = values[~np.isnan(values)]
        moving = known[np.abs(known) > 0.02 * np.abs(known).max(initial=0.0)]
        if len(known) >= FEW and len(moving) and np.mean(moving < 0) > 0.5:
            share = float(np.mean(moving < 0))
            yield look.finding(
                "sign", role, f"{share:.0%} of the values are negative",
                f"turn the sign: scale: {-look.station.tags[role].scale:g}",
            )  # fmt: skip


def mixed_units(look: Look) -> Iterator[Finding]:
    """Pressures that lie in two groups, a unit's factor apart."""
    for role in _PRESSURES:
        values = look.of(role)
        known = np.sort(values[values > 1.0])
        if len(known) < FEW:
            continue
        jumps = np.diff(np.log(known))
        inner = slice(len(known) // 20, -(len(known) // 20))  # each kind is at least a twentieth
        at = int(np.argmax(jumps[inner])) + inner.start
        low, high = float(np.median(known[: at + 1])), float(np.median(known[at + 1 :]))
        if jumps[at] > math.log(1.9) and (pair := _two_units(high / low, look.station.tags[role].unit)):
            yield look.finding(
                "mixed_units", role,
                f"values lie about {look.in_unit(role, low)} and about "
                f"{look.in_unit(role, high)}, and none between: "
                f"some are in {pair[0]}, others in {pair[1]}",
                "make the sender use one unit, or split the tag where it changed",
            )  # fmt: skip


def _two_units(ratio: float, declared: str) -> tuple[str, str] | None:
    """The declared unit and another that are so far apart, the one of the larger numbers last."""
    own = UNITS[declared].factor
    for name, unit in UNITS.items():
        if unit.quantity != UNITS[declared].quantity or name == declared:
            continue
        apart = max(own / unit.factor, unit.factor / own)
        if apart > 1.5 and abs(math.log(ratio / apart)) < math.log(1.2):
            return (declared, name) if unit.factor < own else (name, declared)
    return None
