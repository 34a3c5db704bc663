"""Prove the repair (being written): signatures first."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from steadyhead.desk.views import ProofResult
from steadyhead.profile.model import Profile
from steadyhead.readings.frame import Readings
from steadyhead.types import Condition
from steadyhead.units import UnitSystem


@dataclass(frozen=True, slots=True)
class Question:
    condition: Condition
    repaired_s: int
    began_s: int | None
    units: UnitSystem


@dataclass(frozen=True, slots=True)
class Proof:
    result: ProofResult
    numbers: Mapping[str, Any]
    sentences: tuple[str, ...]


def prove(readings: Readings, profile: Profile, question: Question) -> Proof:
    raise NotImplementedError
