"""Checkpoints of stations as the database holds them."""

from __future__ import annotations

import numpy as np

from steadyhead.live import checkpoint
from steadyhead.live.checkpoint import FormError
from steadyhead.live.course import Course, Told
from steadyhead.live.reported import reports_of
from steadyhead.live.watermarks import new_marks
from steadyhead.readings.frame import regular

from .made import NOW_S, registry
from .stored import a_verdict
from .target import Target


def feed(data: bytes) -> None:
    """One checkpoint; what is taken up can be saved again."""
    station = registry().stations["elm"]
    for has_neighbours in (False, True):
        saved = checkpoint.from_bytes(data, station, has_neighbours=has_neighbours)
        checkpoint.to_bytes(saved.course, saved.mark[0])


def corpus() -> list[bytes]:
    """A station that has just begun, and one with something of everything."""
    station = registry().stations["elm"]
    mark = new_marks(1)[0]
    full = Course(station, has_neighbours=True)
    full.next_s = full.judged_s = full.ready_s = full.first_s = NOW_S
    full.last = {"outlet_kpa": (NOW_S, 400.25)}
    full.told = [Told("raised", a_verdict()), Told("cleared", a_verdict(ended_s=NOW_S + 60))]
    full.episodes.latest = {"drift": a_verdict()}
    full.waiting = [reports_of(np.array([NOW_S * 10**6]), np.array([400.0]), np.array([0], np.uint16), 1)]
    full.rows = regular("elm", NOW_S, 60, np.arange(3.0), inlet_kpa=None, flow_lps=None)
    return [checkpoint.to_bytes(Course(station, has_neighbours=False), mark), checkpoint.to_bytes(full, mark)]


TARGET = Target(
    "checkpoint", feed, corpus, (FormError,),
    (b"null", b"-1", b"[]", b"{}", b"1e999", b"9" * 30, b'"outlet"', b'"waiting":[[1,1]]', b'"rows":[0,1]'),
)  # fmt: skip
