"""What an account may be called."""

from __future__ import annotations

import re

from steadyhead.desk.audit import CLOCK, ENGINE, FILE, SERVICE
from steadyhead.errors import AccessError

NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.@-]{0,63}\Z")
NOBODY = frozenset({ENGINE, CLOCK, SERVICE, FILE})


def check_name(name: str) -> None:
    """Raise AccessError if nobody can be called so."""
    if not NAME.match(name):
        raise AccessError(
            f'"{name[:70]}" cannot name an account; use up to 64 letters, digits, "_", "-", ".", "@"'
        )
    if name.lower() in NOBODY:
        raise AccessError(f'"{name}" stands in the audit for what no person did; choose another name')
