"""Messages about invented alerts, made by the real diagnosis."""

from __future__ import annotations

from steadyhead.alerts.jsonlines import to_dict
from steadyhead.alerts.model import Verdict
from steadyhead.config import parse_registry
from steadyhead.diagnosis.causes import load_knowledge
from steadyhead.diagnosis.checks import to_alert
from steadyhead.notify.message import Item, Message
from steadyhead.notify.words import Manner
from steadyhead.report.words import sizes

RAISED_S = 1_749_000_000  # 2025-06-04 01:20 UTC

STATIONS = ("elm", "oak", "ash", "yew", "fir", "bay", "box", "elder", "hazel", "rowan", "lime", "birch")
REGISTRY = parse_registry(
    "stations:\n"
    + "".join(
        f"  {name}:\n"
        f"    zone: {'north' if n % 2 == 0 else 'south'}\n"
        "    time_zone: Europe/London\n"
        "    step_s: 60\n"
        "    tags: {outlet: {tag: P2, unit: kPa}, inlet: {tag: P1, unit: kPa}}\n"
        f"    sources: [{{path: {name}.csv}}]\n"
        for n, name in enumerate(STATIONS)
    )
)
KNOWLEDGE = load_knowledge()
MANNER = Manner("https://steadyhead.example.org", with_checks=True, list_at_most=30)


def verdict(station: str, condition: str = "drift", raised_s: int = RAISED_S, **differs) -> Verdict:
    usual = {
        "confidence": 0.84,
        "runners_up": (),
        "magnitude": {"departure_kpa": -42.0, "departure_share": -0.1},
        "evidence": ("The outlet is 42 kPa below what was learned.",),
        "began_s": raised_s - 900,
        "ended_s": None,
        "updated_s": raised_s,
        "profile_version": "p1",
        "window_s": (raised_s - 3600, raised_s),
        "traits": {"direction": "down"},
    }
    return Verdict(station=station, condition=condition, raised_s=raised_s, **{**usual, **differs})


def item_of(station: str, change: str = "raised", condition: str = "drift", n: int = 0, **differs) -> Item:
    alert = to_alert(
        verdict(station, condition, RAISED_S + n, **differs),
        REGISTRY.stations[station],
        KNOWLEDGE,
        REGISTRY.settings.units,
    )
    return Item(
        key=f"{alert.alert_id}:{change}:{n}:x",
        change=change,
        at_s=RAISED_S + n,
        alert=to_dict(alert),
        title=KNOWLEDGE.entries[condition].title,
        zone=REGISTRY.stations[station].zone,
        time_zone="Europe/London",
        how_large=tuple(sizes(alert.magnitude, REGISTRY.settings.units)),
    )


def message_of(*stations: str, change: str = "raised", condition: str = "drift", **differs) -> Message:
    items = tuple(item_of(name, change, condition, n, **differs) for n, name in enumerate(stations))
    return Message("+".join(item.key for item in items), RAISED_S + 5, items)
