"""The editable knowledge: meanings, causes, checks and cautions, read from YAML and checked on load.

A utility's own file is laid over the packaged one condition by condition: each of title, meaning, priority,
causes and checks that it gives replaces the packaged one as a whole; lists are never spliced, so what a
person reads in the file is what is used. Cautions are added, or replaced by name; what
``cautions_by_effort`` names is added to what every check of that effort carries already.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from importlib.resources import files
from itertools import pairwise, product
from pathlib import Path
from typing import Annotated, Any

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError

from steadyhead.alerts.model import EFFORTS, Effort, Priority
from steadyhead.config.fields import did_you_mean
from steadyhead.config.load import model_mistakes, raise_mistakes
from steadyhead.config.marked_yaml import Keys, Marked, Mistake, parse_marked, read_marked, show
from steadyhead.diagnosis.hints import HintName
from steadyhead.errors import RegistryError
from steadyhead.types import CONDITIONS, Condition

TRAITS: dict[str, tuple[str, ...]] = {
    "direction": ("up", "down"),
    "kind": (
        "stuck",
        "spiking",
        "out_of_range",
        "offset",
        "swapped",
        "scaled",
        "crossed",
        "meter_dead",
        "inlet_scaled",
    ),
    "channel": ("inlet", "outlet", "flow", "command"),
    "resolved": ("yes", "no"),
    "fed": ("elsewhere", "as_ever"),
}
"""Words that ``when`` may ask for, and what each may be; a verdict carries them in ``traits``."""

_SUM_SLACK = 1e-9  # decimal fractions do not add up exactly
_PARTS = ("title", "meaning", "priority", "causes", "checks")


def _known_traits(when: dict[str, Any]) -> dict[str, tuple[str, ...]]:
    asked: dict[str, tuple[str, ...]] = {}
    for word, wanted in when.items():
        if word not in TRAITS:
            raise ValueError(f'"{word}" is not a word to ask for; {_choose(word, list(TRAITS))}')
        values = tuple(str(value) for value in (wanted if isinstance(wanted, list | tuple) else [wanted]))
        for value in values:
            if value not in TRAITS[word]:
                raise ValueError(f'"{value}" is no {word}; {_choose(value, list(TRAITS[word]))}')
        asked[word] = values
    return asked


def _plain_key(key: str) -> str:
    if not re.fullmatch(r"[a-z][a-z0-9_]*", key):
        raise ValueError(f'"{key}" is not a name; use small letters, digits and _, such as air_in_chamber')
    return key


def _choose(word: str, known: list[str]) -> str:
    near = did_you_mean(word, known)
    return f"{near} Use one of {', '.join(known)}" if near else f"use one of {', '.join(known)}"


When = Annotated[dict[str, Any], AfterValidator(_known_traits)]
Words = Annotated[str, Field(min_length=1)]
Key = Annotated[str, AfterValidator(_plain_key)]


class _Strict(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class CauseEntry(_Strict):
    """A likely cause; ``when`` holds the traits it applies to, all of them, any value of each."""

    key: Key
    text: Words
    likelihood: Annotated[float, Field(ge=0, le=1)]
    when: When = {}


class CheckEntry(_Strict):
    """A field check; ``cautions`` and ``hint`` are names."""

    text: Words
    why: Words | None = None
    effort: Effort
    hint: HintName | None = None
    cautions: tuple[str, ...] = ()
    when: When = {}


class Entry(_Strict):
    """All that is known of one condition; checks are in the order to do them."""

    title: Words
    meaning: Words
    priority: Priority
    causes: tuple[CauseEntry, ...]
    checks: tuple[CheckEntry, ...]


class _PartialEntry(_Strict):
    title: Words | None = None
    meaning: Words | None = None
    priority: Priority | None = None
    causes: tuple[CauseEntry, ...] | None = None
    checks: tuple[CheckEntry, ...] | None = None


class _File(_Strict):
    version: Annotated[int, Field(ge=1, le=1)]
    cautions: dict[Key, Words] = {}
    cautions_by_effort: dict[Effort, tuple[str, ...]] = {}
    conditions: dict[Condition, _PartialEntry] = {}


@dataclass(frozen=True, slots=True)
class Knowledge:
    """Checked knowledge of all conditions.

    entries : one for every condition of ``types.CONDITIONS``
    cautions : sentence by name, most important first
    cautions_by_effort : names that every check of an effort carries besides its own
    source : the files it was read from, for the log
    """

    entries: Mapping[Condition, Entry]
    cautions: Mapping[str, str]
    cautions_by_effort: Mapping[Effort, tuple[str, ...]]
    source: tuple[str, ...]

    def cautions_of(self, check: CheckEntry) -> tuple[str, ...]:
        """The sentences a check carries, its own and those of its effort, most important first."""
        wanted = {*self.cautions_by_effort.get(check.effort, ()), *check.cautions}
        return tuple(text for name, text in self.cautions.items() if name in wanted)


def applies(when: Mapping[str, tuple[str, ...]], traits: Mapping[str, str]) -> bool:
    """Whether every word asked for is known and matches."""
    return all(traits.get(word) in wanted for word, wanted in when.items())


def load_knowledge(override: Path | None = None) -> Knowledge:
    """The packaged knowledge, with a utility's own ``causes.yaml`` laid over it if a path is given.

    Raises RegistryError that lists every mistake with file, line, key and fix.
    """
    text = files("steadyhead.diagnosis").joinpath("causes.yaml").read_text(encoding="utf-8")
    sheets = [_Sheet.read(parse_marked(text, "packaged causes.yaml"))]
    if override is not None:
        sheets.append(_Sheet.read(read_marked(override)))
    merged = _merge(sheets)
    for sheet in sheets:
        raise_mistakes(sheet.complaints(merged.cautions), sheet.marked.file)
    return merged


@dataclass(frozen=True, slots=True)
class _Sheet:
    """One file: what it says, and where."""

    marked: Marked
    said: _File

    @classmethod
    def read(cls, marked: Marked) -> _Sheet:
        mistakes = list(marked.repeats)
        said = _File(version=1)
        try:
            said = _File.model_validate(marked.data)
        except ValidationError as exc:
            # The registry's texts point at the registry's manual; this file is its own.
            mistakes += [
                replace(
                    found, text=found.text.replace("see docs/registry.md", "see the packaged causes.yaml")
                )
                for found in model_mistakes(exc, _File, marked)
            ]
        raise_mistakes(mistakes, marked.file)
        return cls(marked, said)

    def complaints(self, cautions: Mapping[str, str]) -> list[Mistake]:
        """What each value alone does not show: sums, order of effort, names of cautions."""
        found: list[Mistake] = []
        for effort, names in self.said.cautions_by_effort.items():
            found += self._unknown(("cautions_by_effort", effort), names, cautions)
        for condition, entry in self.said.conditions.items():
            at: Keys = ("conditions", condition)
            for part, items in (("causes", entry.causes), ("checks", entry.checks)):
                if items == ():
                    found.append(self._say((*at, part), f"is an empty list; add one, or leave {part} out"))
            found += self._about_causes((*at, "causes"), entry.causes or ())
            found += self._about_checks((*at, "checks"), entry.checks or (), cautions)
        return found

    def _say(self, keys: Keys, text: str) -> Mistake:
        return Mistake(self.marked.line_of(keys), show(keys), text)

    def _unknown(self, at: Keys, names: tuple[str, ...], cautions: Mapping[str, str]) -> list[Mistake]:
        return [
            self._say(at, f'caution "{name}" is not in the section cautions; {_choose(name, list(cautions))}')
            for name in names
            if name not in cautions
        ]

    def _about_causes(self, at: Keys, causes: tuple[CauseEntry, ...]) -> list[Mistake]:
        found = []
        for traits in _combinations(causes):
            chosen = [cause for cause in causes if applies(cause.when, traits)]
            where = "".join(f" where {word} is {value}" for word, value in traits.items())
            total = sum(cause.likelihood for cause in chosen)
            if total > 1 + _SUM_SLACK:
                text = f"likelihoods add up to {total:.3g}{where}; lower some, 1 is the most"
                found.append(self._say(at, text))
            keys = [cause.key for cause in chosen]
            twice = sorted({key for key in keys if keys.count(key) > 1})
            found += [self._say(at, f'cause "{key}" stands twice{where}; keep one') for key in twice]
        if causes and all(cause.when for cause in causes):
            found.append(self._say(at, "every cause has a `when`; give at least one that always applies"))
        return found

    def _about_checks(
        self, at: Keys, checks: tuple[CheckEntry, ...], cautions: Mapping[str, str]
    ) -> list[Mistake]:
        found = []
        for n, check in enumerate(checks):
            found += self._unknown((*at, n, "cautions"), check.cautions, cautions)
        for n, (before, after) in enumerate(pairwise(checks)):
            if EFFORTS.index(after.effort) < EFFORTS.index(before.effort):
                text = f'a check of effort "{after.effort}" comes after one of "{before.effort}"; move it up'
                found.append(self._say((*at, n + 1), text))
        if checks and (checks[0].effort != "free" or checks[0].when):
            found.append(self._say((*at, 0), "the first check must be free and always apply; put one there"))
        return found


def _combinations(causes: tuple[CauseEntry, ...]) -> list[dict[str, str]]:
    """Every set of traits that the causes tell apart; one empty set if they tell none apart."""
    words = sorted({word for cause in causes for word in cause.when})
    return [dict(zip(words, values, strict=True)) for values in product(*(TRAITS[word] for word in words))]


def _merge(sheets: list[_Sheet]) -> Knowledge:
    cautions: dict[str, str] = {}
    by_effort: dict[Effort, tuple[str, ...]] = {}
    parts: dict[Condition, dict[str, Any]] = {condition: {} for condition in CONDITIONS}
    for sheet in sheets:
        cautions.update(sheet.said.cautions)
        for effort, names in sheet.said.cautions_by_effort.items():
            by_effort[effort] = (*by_effort.get(effort, ()), *names)  # added, so that none is lost unseen
        for condition, entry in sheet.said.conditions.items():
            given = {part: getattr(entry, part) for part in _PARTS}
            parts[condition].update({part: value for part, value in given.items() if value is not None})
    missing = [f"{c}.{part}" for c in CONDITIONS for part in _PARTS if part not in parts[c]]
    names = tuple(sheet.marked.file for sheet in sheets)
    if missing:
        raise RegistryError(f"{', '.join(names)}: nothing is said of {', '.join(missing)}; add it")
    entries = {condition: Entry(**parts[condition]) for condition in CONDITIONS}
    return Knowledge(entries, cautions, by_effort, names)
