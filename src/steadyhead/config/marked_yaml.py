"""YAML as plain data that remembers on which line each value stands."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import yaml

from steadyhead.errors import RegistryError

Keys = tuple[str | int, ...]
"""Where a value sits: ("stations", "elm_street", "tags", "outlet", "unit")."""

_INT = re.compile(r"[-+]?(0|[1-9]\d*)\Z")
_HEX = re.compile(r"0x[0-9a-fA-F]+\Z")
_FLOAT = re.compile(r"[-+]?(\d+\.\d*|\.\d+|\d+(?=[eE]))([eE][-+]?\d+)?\Z")
_LARGEST_FILE_BYTES = 20_000_000  # far above any registry; a log handed over by mistake is not parsed
_MOST_VALUES = 500_000
_DEEPEST = 40
_MOST_DIGITS = 100  # a longer run of digits is no number that anybody meant


@dataclass(frozen=True, slots=True)
class Marked:
    """A parsed YAML file.

    file : name for messages
    data : dictionaries, lists, text, numbers, true/false and None
    lines : line (from 1) of every value, by its keys
    repeats : mistakes found while reading: keys that stand twice
    shown_as : other keys under which to show a value that was copied from elsewhere in the file
    """

    file: str
    data: Any
    lines: dict[Keys, int]
    repeats: tuple[Mistake, ...] = ()
    shown_as: dict[Keys, Keys] = field(default_factory=dict)

    def line_of(self, keys: Keys) -> int:
        """Line of the value, or of the nearest thing that holds it."""
        for n in range(len(keys), -1, -1):
            if keys[:n] in self.lines:
                return self.lines[keys[:n]]
        return 1


@dataclass(frozen=True, slots=True, order=True)
class Mistake:
    """One mistake in a YAML file; printed as ``file:line keys: text``."""

    line: int
    keys: str
    text: str

    def __str__(self) -> str:
        return f"{self.line} {self.keys}: {self.text}" if self.keys else f"{self.line}: {self.text}"


def read_marked(path: Path) -> Marked:
    """Read a YAML file.

    Raises RegistryError if the file is missing, empty, not text or not YAML; the text names the line.
    """
    return parse_marked(_read_text(path), path.name)


def parse_marked(text: str, file: str) -> Marked:
    """Parse YAML text; ``file`` is the name used in messages. Raises as ``read_marked`` does."""
    try:
        node = yaml.compose(text, Loader=yaml.SafeLoader)
    except yaml.MarkedYAMLError as exc:
        mark = exc.problem_mark or exc.context_mark
        line = mark.line + 1 if mark else 1
        raise RegistryError(
            f"{file}:{line}: cannot be read as YAML ({exc.problem}); "
            "look at this line and the one above for a wrong indent, a missing colon or an open quote, "
            "and use spaces, not tabs"
        ) from exc
    except RecursionError as exc:
        raise _too_deep(file) from exc
    except (ValueError, LookupError, TypeError, AttributeError) as exc:  # of the library, on odd characters
        raise RegistryError(f"{file}: cannot be read as YAML ({exc}); save it as plain text") from exc
    except yaml.YAMLError as exc:
        raise RegistryError(
            f"{file}: cannot be read as YAML ({str(exc).splitlines()[0]}); save it as plain text"
        ) from exc
    if node is None:
        raise RegistryError(f"{file}: is empty; see docs/registry.md for an example to start from")
    reader = _Reader(file)
    try:
        data = reader.value(node, ())
    except RecursionError as exc:
        raise _too_deep(file) from exc
    return Marked(file, data, reader.lines, tuple(reader.repeats))


def _too_deep(file: str) -> RegistryError:
    return RegistryError(
        f"{file}: brackets or blocks are nested too deep; see docs/registry.md for an example"
    )


def _read_text(path: Path) -> str:
    try:
        if path.stat().st_size > _LARGEST_FILE_BYTES:
            raise RegistryError(f"{path}: is over 20 MB; give the path of a YAML file")
        raw = path.read_bytes()
    except FileNotFoundError as exc:
        raise RegistryError(f"{path}: there is no such file; give the path of a YAML file") from exc
    except OSError as exc:
        text = f"{path}: cannot be opened ({exc.strerror}); check the path and its rights"
        raise RegistryError(text) from exc
    try:
        return raw.decode("utf-16" if raw[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig")
    except UnicodeDecodeError as exc:
        line = raw[: exc.start].count(b"\n") + 1
        raise RegistryError(f"{path.name}:{line}: is not UTF-8 text; save the file as UTF-8") from exc


def show(keys: Keys) -> str:
    """Keys as people write them: ``stations.elm_street.sources[0].path``."""
    text = ""
    for key in keys:
        text += f"[{key}]" if isinstance(key, int) else f".{key}" if text else str(key)
    return text


@dataclass(slots=True)
class _Reader:
    """Turns nodes into data, noting lines and repeated keys."""

    file: str
    visited: int = 0
    lines: dict[Keys, int] = field(default_factory=dict)
    repeats: list[Mistake] = field(default_factory=list)

    def value(self, node: yaml.Node, keys: Keys) -> Any:
        self.lines.setdefault(keys, node.start_mark.line + 1)
        self.visited += 1
        if self.visited > _MOST_VALUES or len(keys) > _DEEPEST:  # anchors can multiply, or hold themselves
            raise RegistryError(
                f"{self.file}:{node.start_mark.line + 1}: anchors (& and *) repeat too much here; "
                "write the values out, or use the defaults block"
            )
        if isinstance(node, yaml.MappingNode):
            return self._mapping(node, keys)
        if isinstance(node, yaml.SequenceNode):
            return [self.value(item, (*keys, n)) for n, item in enumerate(node.value)]
        if isinstance(node, yaml.ScalarNode):
            self._check_text(node)
            return _scalar(node)
        return None

    def _check_text(self, node: yaml.Node) -> None:
        if any("\ud800" <= letter <= "\udfff" for letter in str(node.value)):
            raise RegistryError(
                f"{self.file}:{node.start_mark.line + 1}: holds half a character (a lone surrogate); "
                "write it out"
            )

    def _mapping(self, node: yaml.MappingNode, keys: Keys) -> dict[str, Any]:
        data: dict[str, Any] = {}
        first_at: dict[str, int] = {}
        shared: list[yaml.MappingNode] = []
        for key_node, value_node in node.value:
            if key_node.tag == "tag:yaml.org,2002:merge":
                held = value_node.value if isinstance(value_node, yaml.SequenceNode) else [value_node]
                shared += [part for part in held if isinstance(part, yaml.MappingNode)]
                continue
            self._check_text(key_node)
            key = str(key_node.value)
            line = key_node.start_mark.line + 1
            if key in first_at:
                text = f"stands twice, first on line {first_at[key]}; keep one and remove or rename the other"
                self.repeats.append(Mistake(line, show((*keys, key)), text))
                continue
            first_at[key] = line
            self.lines.setdefault((*keys, key), line)
            data[key] = self.value(value_node, (*keys, key))
        for part in shared:  # "<<: *anchor": what the mapping says itself comes first
            data = {**self._mapping(part, keys), **data}
        return data


def _scalar(node: yaml.ScalarNode) -> Any:
    """A plain number, true/false or nothing; all else stays text as written.

    YAML 1.1 would read 06:00 as 360, 007 as 7 and "off" as false: times, tags and words must survive.
    """
    text: str = node.value
    if node.style is not None or len(text) > _MOST_DIGITS:
        return text
    if text in ("", "~", "null", "Null", "NULL"):
        return None
    if text.casefold() in ("true", "false"):
        return text.casefold() == "true"
    if _INT.match(text):
        return int(text)
    if _HEX.match(text):
        return int(text, 16)
    if _FLOAT.match(text):
        return float(text)
    return text
