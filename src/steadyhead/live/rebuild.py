"""An engine state made anew from archived readings, where the saved one is of another version."""

from __future__ import annotations

from dataclasses import replace

from steadyhead.archive.archive import Archive
from steadyhead.diagnosis.weigh import Episodes
from steadyhead.engine import State, step
from steadyhead.live.course import Course, Told
from steadyhead.units import UnitSystem

SPAN_S = 7 * 86400  # the slowest filter of the engine has 24 h, an episode is held open for 36 h at most


def rebuilt(course: Course, archive: Archive, units: UnitSystem) -> None:
    """Fill ``course.state`` by replaying its latest week; what stands now and what stood are put in line.

    What the replay raises and had not been raised is told; what it does not raise is told as cleared. Raises
    ArchiveError.
    """
    if course.judged_s is None or course.profile is None:
        return
    end_s = course.judged_s + course.station.step_s
    rows = archive.read(course.station.name, end_s - SPAN_S, end_s)
    state, now = State(), Episodes()
    for change in step(state, rows, course.profile):
        now.take(change, course.profile, units)
    stood = course.episodes.latest
    for condition, verdict in list(now.latest.items()):
        was = stood.get(condition)
        if was is not None and was.ended_s is None and verdict.ended_s is None:
            now.latest[condition] = was  # the alert keeps its name
        elif verdict.ended_s is None:
            course.told.append(Told("raised", verdict))
    for condition, was in stood.items():
        if was.ended_s is None and (condition not in now.latest or now.latest[condition].ended_s is not None):
            over = replace(was, ended_s=max(course.judged_s, was.raised_s), updated_s=course.judged_s)
            course.told.append(Told("cleared", over))
    course.state, course.episodes = state, now
    course.is_changed = True
