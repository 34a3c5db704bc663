"""What every condition sees of a tick: departure, regime, movement, and the short past of each.

One record holds it all, so that a restart carries on from a copy of it. Every filter is causal.
"""

from steadyhead.conditions.scene.departures import transition
from steadyhead.conditions.scene.numbers import N_FEATURES, Familiar, Gains, Limits, as_record, gains
from steadyhead.conditions.scene.record import SCENE, new_scene
from steadyhead.conditions.scene.shut import CLOSING_S, SETTLING_S
from steadyhead.conditions.scene.update import update

__all__ = [
    "CLOSING_S",
    "N_FEATURES",
    "SCENE",
    "SETTLING_S",
    "Familiar",
    "Gains",
    "Limits",
    "as_record",
    "gains",
    "new_scene",
    "transition",
    "update",
]
