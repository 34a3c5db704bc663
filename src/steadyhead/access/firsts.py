"""First passwords: handed to a person, good for a short time, and only for choosing an own one."""

from __future__ import annotations

import secrets
from dataclasses import dataclass

ALPHABET = "abcdefghjkmnpqrstuvwxyz23456789"  # nothing that looks like another on paper
GROUPS, GROUP = 4, 4  # 16 of 31 letters: 79 bits, and still read out over a telephone


@dataclass(frozen=True, slots=True)
class FirstPassword:
    """A first password just set. ``password`` is not kept anywhere; hand it over and forget it.

    until_s : when it ends, epoch seconds
    """

    name: str
    password: str
    until_s: int

    def __repr__(self) -> str:
        return f"FirstPassword({self.name!r}, password='...', until_s={self.until_s})"


def new_password() -> str:
    """A random one from the system's source."""
    return "-".join("".join(secrets.choice(ALPHABET) for _ in range(GROUP)) for _ in range(GROUPS))
