"""The bench on a database of each kind."""

from __future__ import annotations

import pytest
from desk_bench import Bench

from steadyhead.store.database import Database


@pytest.fixture
def bench(database: Database) -> Bench:
    return Bench(database)
