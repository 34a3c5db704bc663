"""A profile and a verdict such as the stores hold, made by hand; the values are arithmetic, not physics."""

from __future__ import annotations

from dataclasses import fields, is_dataclass
from types import NoneType, UnionType
from typing import Any, Union, get_args, get_origin, get_type_hints

from steadyhead.alerts.model import Runner, Verdict
from steadyhead.profile.model import FORMAT, Novelty, Profile

from .made import NOW_S


def example(hint: Any) -> Any:
    """Some value of a type, for dataclasses field by field."""
    origin, inner = get_origin(hint), get_args(hint)
    if is_dataclass(hint):
        hints = get_type_hints(hint)
        return hint(**{f.name: example(hints[f.name]) for f in fields(hint)})  # type: ignore[operator]
    if origin is tuple:
        return tuple(example(inner[0]) for _ in range(3))
    if origin is dict:
        return {"creep": example(inner[1])}
    if origin in (Union, UnionType):
        return example(next(one for one in inner if one is not NoneType))
    if inner:  # Literal
        return inner[0]
    return {float: 0.125, int: 60, bool: True, str: "elm", Any: None}[hint]


def fits(hint: Any, value: Any) -> bool:
    """Whether a value is of a type, all the way down: what whoever uses it may rely on."""
    origin, inner = get_origin(hint), get_args(hint)
    if is_dataclass(hint):
        hints = get_type_hints(hint)
        return type(value) is hint and all(fits(hints[f.name], getattr(value, f.name)) for f in fields(hint))
    if origin is tuple:
        return isinstance(value, tuple) and all(fits(inner[0], one) for one in value)
    if origin is dict:
        return isinstance(value, dict) and all(fits(inner[1], one) for one in value.values())
    if origin in (Union, UnionType):
        return any(fits(one, value) for one in inner)
    if inner:
        return value in inner
    return hint is Any or type(value) is hint


def a_profile() -> Profile:
    """A profile of the station elm with every part."""
    from dataclasses import replace

    novelty = Novelty(("a", "b"), (0.0, 1.0), (1.0, 1.0), ((1.0, 0.0), (0.0, 1.0)), 9.0)
    made: Profile = example(Profile)
    return replace(made, format=FORMAT, version="1", station="elm", step_s=60, novelty=novelty)


def a_verdict(**more: Any) -> Verdict:
    """A drift that stands."""
    return Verdict(
        **{
            "station": "elm", "condition": "drift", "confidence": 0.8, "runners_up": (Runner("creep", 0.1),),
            "magnitude": {"departure_kpa": -12.5}, "evidence": ("Outlet is low.",), "began_s": NOW_S - 600,
            "raised_s": NOW_S, "ended_s": None, "updated_s": NOW_S, "profile_version": "1",
            "window_s": (NOW_S - 600, NOW_S), "facts": {"kv_m3h": 3.5}, "traits": {"direction": "down"}, **more,
        }
    )  # fmt: skip
