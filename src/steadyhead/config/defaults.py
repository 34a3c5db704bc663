"""The ``defaults:`` block of a registry, merged into every station."""

from __future__ import annotations

from typing import Any

from steadyhead.config.marked_yaml import Keys, Marked, Mistake, show


def with_defaults(marked: Marked) -> tuple[Marked, list[Mistake]]:
    """The registry with defaults filled in, station names set and ``{station}`` replaced.

    A block of keys is merged key by key; a list or single value of the station replaces the default.
    Values that come from the defaults keep the line and the name they have there.
    """
    data = dict(marked.data)
    defaults = data.pop("defaults", None) or {}
    mistakes: list[Mistake] = []
    if not isinstance(defaults, dict):
        text = 'is not a block of keys; write "key: value" lines, indented below it'
        mistakes.append(Mistake(marked.line_of(("defaults",)), "defaults", text))
        defaults = {}
    lines = dict(marked.lines)
    shown_as: dict[Keys, Keys] = {}
    stations = data.get("stations")
    if isinstance(stations, dict):
        data["stations"] = {
            name: _station(name, own, defaults, lines, shown_as) for name, own in stations.items()
        }
        mistakes += _names_that_collide(stations, marked)
        for name, own in stations.items():
            if isinstance(own, dict) and "name" in own:
                keys: Keys = ("stations", name, "name")
                text = "is set by the key above; remove this line"
                mistakes.append(Mistake(marked.line_of(keys), show(keys), text))
    return Marked(marked.file, data, lines, marked.repeats, shown_as), mistakes


def _station(
    name: str, own: Any, defaults: dict[str, Any], lines: dict[Keys, int], shown_as: dict[Keys, Keys]
) -> Any:
    if own is None:
        own = {}
    if not isinstance(own, dict):
        return own
    merged = _merge(own, defaults, ("stations", name), ("defaults",), lines, shown_as)
    return {**_filled(merged, name), "name": name}


def _merge(
    own: dict[str, Any],
    defaults: dict[str, Any],
    at: Keys,
    default_at: Keys,
    lines: dict[Keys, int],
    shown_as: dict[Keys, Keys],
) -> dict[str, Any]:
    merged = dict(own)
    for key, value in defaults.items():
        if key not in own:
            merged[key] = value
            _borrow_lines((*at, key), (*default_at, key), value, lines, shown_as)
        elif isinstance(own[key], dict) and isinstance(value, dict):
            merged[key] = _merge(own[key], value, (*at, key), (*default_at, key), lines, shown_as)
    return merged


def _borrow_lines(
    at: Keys, source: Keys, value: Any, lines: dict[Keys, int], shown_as: dict[Keys, Keys]
) -> None:
    if source in lines:
        lines[at] = lines[source]
    shown_as[at] = source
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, part in inner:
        _borrow_lines((*at, key), (*source, key), part, lines, shown_as)


def _filled(value: Any, name: str) -> Any:
    """``{station}`` in any text becomes the station's name."""
    if isinstance(value, str):
        return value.replace("{station}", name)
    if isinstance(value, dict):
        return {key: _filled(part, name) for key, part in value.items()}
    if isinstance(value, list):
        return [_filled(part, name) for part in value]
    return value


def _names_that_collide(stations: dict[str, Any], marked: Marked) -> list[Mistake]:
    """Names that differ only by case: their files would be one file on some systems."""
    mistakes, first = [], dict[str, str]()
    for name in stations:
        other = first.setdefault(name.casefold(), name)
        if other != name:
            keys: Keys = ("stations", name)
            text = f'differs from "{other}" only by capital letters; give one of them another name'
            mistakes.append(Mistake(marked.line_of(keys), show(keys), text))
    return mistakes
