"""A registry file read and checked as a whole: every mistake is reported at once, with its line."""

from __future__ import annotations

import types
import typing
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError

from steadyhead.config.defaults import with_defaults
from steadyhead.config.fields import did_you_mean
from steadyhead.config.marked_yaml import Keys, Marked, Mistake, parse_marked, read_marked, show
from steadyhead.config.mistakes import ModelError
from steadyhead.config.model import Registry
from steadyhead.errors import RegistryError
from steadyhead.units import names as unit_names

_MOST_SHOWN = 50


def load_registry(path: Path | str) -> Registry:
    """Read and check a station registry.

    path : a YAML file, or a folder that holds a ``stations.yaml``
    Returns the registry; its ``log_root`` is relative to the file's folder and resolved here.
    Raises RegistryError listing every mistake as ``file:line keys: what was met; what to do``.
    """
    path = Path(path)
    if path.is_dir():
        path = path / "stations.yaml"
    return _checked(read_marked(path), path.parent)


def parse_registry(text: str, file: str = "stations.yaml", folder: Path | str = ".") -> Registry:
    """Check a registry given as text; ``file`` names it in messages. Raises as ``load_registry`` does."""
    return _checked(parse_marked(text, file), Path(folder))


def model_mistakes(error: ValidationError, model: type[BaseModel], marked: Marked) -> list[Mistake]:
    """The mistakes in a pydantic error, in plain words and each with its line."""
    items = error.errors()
    holders = {item["loc"][:n] for item in items for n in range(len(item["loc"]))}
    return [
        mistake
        for item in items
        # a list whose items are all wrong also counts as empty: said once is enough
        if item["type"] != "too_short" or item["loc"] not in holders
        for mistake in _translate(item, model, marked)
    ]


def raise_mistakes(mistakes: list[Mistake], file: str) -> None:
    """Raise one RegistryError that lists the mistakes by line; do nothing if there are none."""
    if not mistakes:
        return
    unique = sorted(set(mistakes))
    lines = [f"{file}:{mistake}" for mistake in unique[:_MOST_SHOWN]]
    if len(unique) > _MOST_SHOWN:
        lines.append(f"{file}: and {len(unique) - _MOST_SHOWN} more mistakes; mend these first")
    raise RegistryError("\n".join(lines))


def _checked(marked: Marked, folder: Path) -> Registry:
    mistakes = list(marked.repeats)
    if not isinstance(marked.data, dict):
        raise RegistryError(
            f"{marked.file}:1: holds no keys; it must start with stations:, see docs/registry.md"
        )
    merged, more = with_defaults(marked)
    mistakes += more
    try:
        registry = Registry.model_validate(merged.data)
    except ValidationError as exc:
        raise_mistakes(mistakes + model_mistakes(exc, Registry, merged), marked.file)
        raise  # not reached: a pydantic error always holds a mistake
    raise_mistakes(mistakes, marked.file)
    return registry.model_copy(update={"log_root": folder / registry.log_root})


def _translate(item: Any, model: type[BaseModel], marked: Marked) -> list[Mistake]:
    keys: Keys = tuple(k for k in item["loc"] if k != "[key]")
    raised = item.get("ctx", {}).get("error")
    if isinstance(raised, ModelError):
        return [_mistake(marked, (*keys, *below), text) for below, text in raised.mistakes]
    return [_mistake(marked, keys, _in_words(item, model, keys))]


def _mistake(marked: Marked, keys: Keys, text: str) -> Mistake:
    shown = marked.shown_as.get(keys, keys)
    return Mistake(marked.line_of(keys), show(shown), text)


def _in_words(item: Any, model: type[BaseModel], keys: Keys) -> str:
    kind, met, ctx = item["type"], item.get("input"), item.get("ctx", {})
    if kind == "value_error":
        return str(ctx["error"])
    if kind == "extra_forbidden":
        return _unknown_key(str(keys[-1]), sorted(_keys_of(_type_at(model, keys[:-1]))))
    if kind == "missing":
        return _MISSING.get(str(keys[-1]), "is missing; add it, see docs/registry.md")
    if kind in ("literal_error", "enum"):
        wanted = ctx["expected"].replace("'", "").replace(" or ", ", ").split(", ")
        if item["loc"] and item["loc"][-1] == "[key]":
            return _unknown_key(str(keys[-1]), wanted)
        hint = did_you_mean(str(met), wanted)
        listed = ", ".join(wanted)
        return f"{_met(met)} is not known here; use one of {listed}" + (f"; {hint}" if hint else "")
    if kind in _WANTED:
        return f"{_met(met)} is not {_WANTED[kind]}"
    if kind in _LIMITS:
        limit = next(ctx[name] for name in _LIMIT_NAMES if name in ctx)
        return f"{_met(met)} {_LIMITS[kind].format(limit=limit)}"
    return f"{_met(met)} is not accepted: {item['msg']}; see docs/registry.md"


def _met(value: Any) -> str:
    if value is None:
        return "nothing"
    if isinstance(value, dict | list | tuple):
        return "a list" if isinstance(value, list | tuple) else "a block of keys"
    return f'"{value}"'


def _unknown_key(key: str, known: list[str]) -> str:
    hint = did_you_mean(key, known)
    return f'"{key}" is not a known key' + (f"; {hint}" if hint else "") + f" (known: {', '.join(known)})"


def _type_at(model: Any, keys: Keys) -> Any:
    """The model that stands at ``keys`` below ``model``; None if there is none."""
    for key in keys:
        if isinstance(model, type) and issubclass(model, BaseModel):
            by_key = {f.alias or name: f.annotation for name, f in model.model_fields.items()}
            by_key |= {name: f.annotation for name, f in model.model_fields.items()}
            model = _bare(by_key.get(str(key)))
        else:
            inner = [part for part in typing.get_args(model) if part is not Ellipsis]
            model = _bare(inner[-1]) if inner else None
    return model


def _bare(annotation: Any) -> Any:
    """The annotation without Annotated[...] and without "or None"."""
    while True:
        origin = typing.get_origin(annotation)
        if origin is typing.Annotated:
            annotation = typing.get_args(annotation)[0]
        elif origin in (typing.Union, types.UnionType):
            annotation = next(part for part in typing.get_args(annotation) if part is not type(None))
        else:
            return annotation


def _keys_of(model: Any) -> set[str]:
    if not (isinstance(model, type) and issubclass(model, BaseModel)):
        return set()
    known = {field.alias or name for name, field in model.model_fields.items()}
    if model is Registry:
        known.add("defaults")
    return known - ({"name"} if "name" in known else set())


_MISSING = {
    "time_zone": "is missing, so times without an offset cannot be placed; "
    "add the zone of the log's clock, for example time_zone: Europe/London",
    "step_s": "is missing; add the seconds between readings, for example step_s: 900",
    "tags": "is missing; add at least the outlet, for example tags: {outlet: {tag: PT2, unit: kPa}}",
    "sources": "is missing; say where the logs are, for example sources: [{path: elm_street/*.csv}]; or "
    "write sources: [] if the readings come by a feed or by pushes",
    "stations": "is missing; add a block of stations, see docs/registry.md",
    "path": "is missing; give the files below the log root, for example path: elm_street/*.csv",
    "tag": "is missing; give the name under which the value is logged",
    "unit": f"is missing; add the unit of the logged value, one of {', '.join(unit_names())}",
}
_LIMIT_NAMES = ("ge", "gt", "le", "lt", "min_length", "max_length")
_WANTED = {
    "float_parsing": "a number; write digits with a point, such as 12.5",
    "float_type": "a number; write digits with a point, such as 12.5",
    "finite_number": "a finite number; write digits with a point, such as 12.5",
    "int_parsing": "a whole number; write digits only",
    "int_type": "a whole number; write digits only",
    "int_from_float": "a whole number; write digits only",
    "bool_parsing": "true or false",
    "bool_type": "true or false",
    "string_type": "text; write a word, in quotes if it has special marks",
    "dict_type": 'a block of keys; write it as "key: value" lines, indented below this one',
    "model_type": 'a block of keys; write it as "key: value" lines, indented below this one',
    "model_attributes_type": 'a block of keys; write it as "key: value" lines, indented below this one',
    "tuple_type": 'a list; write each item on its own line after "- "',
    "list_type": 'a list; write each item on its own line after "- "',
    "datetime_parsing": "a time; write it as 2025-03-01 or 2025-03-01T06:00",
    "datetime_from_date_parsing": "a time; write it as 2025-03-01 or 2025-03-01T06:00",
    "datetime_type": "a time; write it as 2025-03-01 or 2025-03-01T06:00",
    "path_type": "a folder; write its path",
}
_LIMITS = {
    "greater_than": "must be above {limit}; mend the number or its unit",
    "greater_than_equal": "must be {limit} or more; mend the number or its unit",
    "less_than": "must be below {limit}; mend the number or its unit",
    "less_than_equal": "must be {limit} or less; mend the number or its unit",
    "string_too_short": "is too short; write at least {limit} character",
    "string_too_long": "is too long; write at most {limit} character",
    "too_long": "is too long; write at most {limit} mark",
    "too_short": "is empty; add at least {limit}",
}
