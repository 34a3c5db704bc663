"""Requests that the desk turns down because they are wrong in themselves, not because of what stands now."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from steadyhead.api.problems import INVALID, ProblemError
from steadyhead.errors import DeskError


@contextmanager
def wrong_in_itself() -> Iterator[None]:
    """Answer 422 rather than 409 where the desk refuses."""
    try:
        yield
    except DeskError as exc:
        raise ProblemError(INVALID, str(exc)) from exc
