"""Every parser of outside bytes takes what it is given or refuses it in words of ours: a short run of each.

``python -m tests.fuzz`` searches for hours and with the code's own branches as its guide; this holds what it found.
"""

from __future__ import annotations

import logging
import resource
import signal
from collections.abc import Iterator
from types import FrameType

import pytest
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st

from .target import SlowError, Target
from .targets import NAMES, target

EXAMPLES = 60
MOST_GROWN_MB = 400
HANG_S = 60
"""Of the wall clock, on a machine that does other things too."""


@st.composite
def changed(draw: st.DrawFn, one: Target, corpus: list[bytes]) -> bytes:
    """A well-formed input with a few pieces taken out, doubled, overwritten or put in."""
    data = draw(st.sampled_from(corpus))
    pieces = st.binary(max_size=8)
    if one.words:
        pieces = st.sampled_from(list(one.words)) | pieces
    for _ in range(draw(st.integers(1, 5))):
        at, n = draw(st.integers(0, len(data))), draw(st.integers(0, 12))
        piece = draw(st.sampled_from((b"", data[at : at + n] * 2)) | pieces)
        data = data[:at] + piece + data[at + n :]
    return data


@pytest.fixture(autouse=True)
def _quiet_and_never_stuck() -> Iterator[None]:
    def stuck(_number: int, _frame: FrameType | None) -> None:
        raise SlowError(f"an input took more than {HANG_S} s")

    before = signal.signal(signal.SIGALRM, stuck)
    logging.disable(logging.WARNING)
    yield
    signal.alarm(0)
    signal.signal(signal.SIGALRM, before)
    logging.disable(logging.NOTSET)


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.filterwarnings("ignore")  # of libraries, on what they read
def test_whatever_the_bytes_only_errors_of_ours_come_out(name: str):
    one = target(name)
    corpus = list(one.corpus())
    taken = [one.run(data) for data in corpus]
    assert any(taken), "the corpus holds nothing that the parser takes"
    before_mb = _peak_mb()

    @settings(
        max_examples=EXAMPLES, deadline=None, database=None, phases=(Phase.generate, Phase.shrink),
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    @seed(20260301)
    @given(data=changed(one, corpus) | st.binary(max_size=300))
    def feed(data: bytes) -> None:
        signal.alarm(HANG_S)
        one.run(data)
        signal.alarm(0)

    feed()
    assert _peak_mb() - before_mb < MOST_GROWN_MB


def _peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
