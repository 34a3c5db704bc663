"""What every way out needs: what there is to tell, when to stop, and where to say that all is well."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from steadyhead.profile.model import Profile
from steadyhead.store.database import Database
from steadyhead.types import Condition

LOOK_S = 1.0
"""Between looks at the alert desk."""
EARLIEST = -1
"""A change number before all others."""


@dataclass(frozen=True, slots=True)
class Telling:
    """One way's view of the service.

    profile_of : the profile in use of a station, or None; may raise ProfileError
    title_of : a condition in words; now_s : the clock; is_well : call it whenever all was told
    """

    database: Database
    stations: Sequence[str]
    profile_of: Callable[[str], Profile | None]
    title_of: Callable[[Condition], str]
    now_s: Callable[[], float]
    stop: threading.Event
    is_well: Callable[[], None]
