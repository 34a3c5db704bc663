"""A clock that stands, and hashes that do not take their time."""

import pytest

from steadyhead.access import passwords


class Clock:
    def __init__(self):
        self.now_s = 1_760_000_000.0

    def __call__(self):
        return self.now_s


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture(autouse=True)
def cheap_hashes(monkeypatch):
    """Real argon2id at a lower cost; that the real cost is used is tested in tests/unit/access."""
    monkeypatch.setattr(passwords, "MEMORY_KIB", 1024)
    monkeypatch.setattr(passwords, "PASSES", 1)
    passwords._of_nobody.cache_clear()
