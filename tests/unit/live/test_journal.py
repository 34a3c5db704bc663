"""The journal: numbered, whole or not at all, counted with what it counts, and clear about a full disk."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import numpy as np
import pytest

from steadyhead.errors import JournalError
from steadyhead.live.clock import Clock, Moment
from steadyhead.live.journal import Journal
from steadyhead.live.reports import Reports, from_bytes
from steadyhead.live.tallies import MOST_REFUSALS, Entry, Refusal

NOW = Moment(10.0, 1000.0, 1000.0)


def some_reports(n: int = 3) -> Reports:
    return Reports(
        names=("å", "b"),
        which=np.arange(n, dtype=np.uint32) % 2,
        role=np.ones(n, dtype=np.uint8),
        us=np.arange(n, dtype=np.int64) * 1_000_000,
        values=np.linspace(0.1, 0.7, n),
        flags=np.zeros(n, dtype=np.uint16),
    )


def test_records_are_numbered_read_in_order_and_pruned(tmp_path: Path):
    journal = Journal(tmp_path)
    body = some_reports().to_bytes()
    assert [journal.append("readings", NOW, body, 3) for _ in range(5)] == [1, 2, 3, 4, 5]
    assert journal.append("mark", Moment(20.0, 1010.0, 1010.0)) == 6
    found = journal.read(2)
    assert [(r.no, r.kind) for r in found] == [(3, "readings"), (4, "readings"), (5, "readings"), (6, "mark")]
    assert found[0].body == body
    assert [r.no for r in journal.read(0, most_items=5)] == [1, 2]
    assert journal.items_after(4) == (3, 10.0)
    assert journal.prune(4) == 4
    assert [r.no for r in journal.read(0)] == [5, 6]
    journal.close()
    again = Journal(tmp_path)
    assert (again.last_no, again.listened_s) == (6, 20.0)
    again.prune(6)
    assert again.append("mark", NOW) == 7  # a number is never used twice
    again.close()


def test_reports_go_through_bytes_and_a_spoiled_record_is_noticed():
    reports = some_reports()
    data = reports.to_bytes()
    found = from_bytes(data)
    assert found.names == reports.names
    for name in ("which", "role", "us", "values", "flags"):
        assert np.array_equal(getattr(found, name), getattr(reports, name))
    for spoiled in (data[:-1], data[:5], b"", data[:30] + bytes([data[30] ^ 1]) + data[31:]):
        with pytest.raises(JournalError, match="spoiled"):
            from_bytes(spoiled)


def test_counts_and_positions_are_in_the_transaction_of_their_record(tmp_path: Path):
    journal = Journal(tmp_path)
    refusal = Refusal("a", "outlet", "bad_time", 2, "an example")
    entry = Entry("s", "json", 5, 1, [refusal], {"at": 7}, 1000)
    journal.append("readings", NOW, some_reports().to_bytes(), 3, [entry])
    journal.append("readings", NOW, some_reports().to_bytes(), 3, [entry])
    (count,) = journal.source_counts()
    assert (count.accepted, count.late, count.refused, count.last_s) == (10, 2, 4, 1000)
    (refused,) = journal.refusal_counts()
    assert (refused.n, refused.station, refused.example) == (4, "a", "an example")
    assert journal.positions() == {"s": {"at": 7}}
    journal.close()


def test_a_sender_of_made_up_names_cannot_fill_the_table_of_refusals(tmp_path: Path):
    journal = Journal(tmp_path)
    n = MOST_REFUSALS + 50
    refusals = [Refusal("", f"tag {i}", "unknown_tag", 1, "") for i in range(n)]
    journal.note([Entry("s", "json", refusals=refusals)])
    found = journal.refusal_counts()
    assert len(found) <= MOST_REFUSALS + 1
    assert sum(count.n for count in found) == n
    journal.close()


def test_a_full_journal_refuses_in_words_and_keeps_nothing_of_it(tmp_path: Path):
    journal = Journal(tmp_path, max_mb=0.2)
    body = some_reports(2000).to_bytes()
    said = ""
    for _ in range(100):
        try:
            journal.append("readings", NOW, body, 2000, [Entry("s", "json", 2000)])
        except JournalError as exc:
            said = str(exc)
            break
    assert "the most that journal_max_mb allows" in said
    n = journal.last_no
    assert journal.source_counts()[0].accepted == 2000 * n == sum(r.n_items for r in journal.read(0))
    journal.prune(n)
    assert journal.append("readings", NOW, body, 2000) == n + 1  # room again, and it goes on
    journal.close()


def test_too_little_room_on_the_disk_refuses_in_words(tmp_path: Path):
    journal = Journal(tmp_path, reserve_bytes=1 << 60)
    with pytest.raises(JournalError, match=r"MB are free .* should keep their readings and try again"):
        journal.append("mark", NOW)
    journal.close()


def test_a_disk_that_fills_in_the_middle_of_a_write_leaves_nothing_half_written(tmp_path: Path):
    journal = Journal(tmp_path)
    journal.append("readings", NOW, some_reports().to_bytes(), 3)
    # SQLite's own limit on pages answers as a full disk does: SQLITE_FULL
    pages = journal._connection.execute("PRAGMA page_count").fetchone()[0]
    journal._connection.execute(f"PRAGMA max_page_count={pages + 2}")
    with pytest.raises(JournalError, match=r"full.*refused until there is room"):
        journal.append("readings", NOW, some_reports(5000).to_bytes(), 5000, [Entry("s", "json", 5000)])
    assert (journal.last_no, journal.source_counts()) == (1, [])
    journal._connection.execute("PRAGMA max_page_count=1000000")
    assert journal.append("readings", NOW, some_reports(5000).to_bytes(), 5000) == 2
    journal.close()
    again = Journal(tmp_path)
    assert [r.no for r in again.read(0)] == [1, 2]
    again.close()


def test_what_is_no_journal_is_said(tmp_path: Path):
    (tmp_path / "journal.db").write_bytes(b"no database at all" * 100)
    with pytest.raises(JournalError, match=r"journal\.db"):
        Journal(tmp_path)


def test_a_journal_of_a_newer_program_is_left_alone(tmp_path: Path):
    Journal(tmp_path).close()
    with sqlite3.connect(tmp_path / "journal.db") as raw:
        raw.execute("PRAGMA user_version=99")
    raw.close()
    with pytest.raises(JournalError, match="of form 99"):
        Journal(tmp_path)


# ---------------------------------------------------------------- the clock


def test_listening_time_goes_on_over_runs_and_never_falls():
    steady = [100.0]
    clock = Clock(lambda: 5.0, lambda: steady[0])
    steady[0] = 130.0
    clock.resume(1000.0)
    assert clock.now().listened_s == 1000.0
    steady[0] = 140.5
    assert clock.now().listened_s == 1010.5


def test_after_a_step_of_the_wall_clock_both_answers_are_given():
    wall, steady = [1000.0], [0.0]
    clock = Clock(lambda: wall[0], lambda: steady[0])
    steady[0], wall[0] = 60.0, 1060.0 - 3600
    assert clock.now() == Moment(60.0, 1060.0, 1060.0 - 3600)
    assert clock.off_s() == -3600
    wall[0] += 7200
    assert clock.now() == Moment(60.0, 1060.0 + 3600, 1060.0)
