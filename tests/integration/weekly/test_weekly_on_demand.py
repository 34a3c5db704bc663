"""A report asked of a running service over HTTP: made elsewhere, followed, fetched, refused in words."""

import csv
import io
import json
import os
import pickle
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import numpy as np
import pytest

from steadyhead.access.settings import AccessSettings
from steadyhead.api.app import make_app
from steadyhead.config import parse_registry
from steadyhead.live.clock import Clock
from steadyhead.live.room import open_room
from steadyhead.live.settings import RoomSettings
from steadyhead.profile.known import Known
from steadyhead.profile.learn import learn
from steadyhead.readings.frame import regular
from steadyhead.store.profiles import save_profile
from steadyhead.store.tables import AuditRow
from steadyhead.weekly import apart, reporter
from steadyhead.weekly.settings import ReportSettings
from steadyhead.weekly.week import Week

sys.path.insert(0, str(Path(__file__).parents[1] / "api"))
from running_room import WORDS, served, signed_in

WEEK, STEP, HOUR = Week(2025, 20), 300, 3600
FROM_S, TO_S = WEEK.bounds_s("UTC")
NOW_S = TO_S + 30 * HOUR
LIMIT_S = 120.0  # the machine may be busy with others
REGISTRY = """
utility: Marrow Vale Water
defaults:
  time_zone: UTC
  step_s: 300
  tags: {outlet: {tag: o, unit: kPa}, inlet: {tag: i, unit: kPa}, flow: {tag: f, unit: L/s}}
  sources: [{path: none.csv}]
stations: {elm: {}, oak: {}}
"""


def readings_of(name: str, seed: int):
    n = (TO_S - WEEK.shifted(-4).bounds_s("UTC")[0]) // STEP
    rng = np.random.default_rng(seed)
    flow = 6.0 - 4.0 * np.cos(np.arange(n) * STEP / 86400 * 2 * np.pi)
    return regular(
        name, TO_S - n * STEP, STEP, 400 + rng.normal(0, 1, n), inlet_kpa=700.0 + rng.normal(0, 2, n),
        flow_lps=flow + rng.normal(0, 0.1, n),
    )  # fmt: skip


@pytest.fixture
def has_pdf():
    """The PDF takes the longest; one test makes it."""
    return False


@pytest.fixture
def room(tmp_path, has_pdf):
    began = time.time()
    settings = RoomSettings(
        data_folder=tmp_path / "data",
        profiles=tmp_path / "profiles",
        watch_folders=False,
        report=ReportSettings(folder=tmp_path / "reports", has_pdf=has_pdf),
        access=AccessSettings(requests_per_minute=10**6, address_requests_per_minute=10**6),
    )
    made = open_room(
        settings, parse_registry(REGISTRY), clock=Clock(wall=lambda: NOW_S + time.time() - began)
    )
    for seed, name in enumerate(made.registry.stations):
        readings = readings_of(name, seed)
        made.archive.append(readings)  # not flushed: what waits in memory must be in the report too
        save_profile(settings.profiles, learn(readings, Known()))
    made.accounts.create("egon", "engineer", WORDS)
    made.accounts.create("vera", "viewer", WORDS)
    return made


@pytest.fixture
def base(room):
    with served(make_app(room)) as found:
        yield found


@pytest.fixture
def egon(base):
    with signed_in(base, "egon") as client:
        yield client


def follow(client, week="2025-W20", limit_s=LIMIT_S):
    """The report once nothing more comes of it."""
    ends = time.monotonic() + limit_s
    while (item := client.get(f"/api/v1/reports/{week}").json())["state"] in ("waiting", "running"):
        assert time.monotonic() < ends, item
        time.sleep(0.1)
    return item


class Held:
    """Holds a report back before it is made, and counts how many are begun."""

    def __init__(self, monkeypatch) -> None:
        self.begun: list[Week] = []
        self.go = threading.Event()
        monkeypatch.setattr(reporter, "make_apart", self)

    def __call__(self, order, progress, on_start):
        self.begun.append(order.week)
        progress("Judging elm", 0, 2)
        assert self.go.wait(LIMIT_S)
        return apart.make_apart(order, progress, on_start)


@pytest.mark.parametrize("has_pdf", [True])
def test_a_report_is_asked_for_followed_and_fetched(room, base, egon):
    answer = egon.post("/api/v1/reports", json={"week": "2025-W20", "pages_for": ["oak"]})
    assert answer.status_code == 202, answer.text
    assert answer.headers["location"] == "/api/v1/reports/2025-W20"
    assert answer.json()["asked_by"] == "egon"
    item = follow(egon)
    assert (item["state"], item["problem"], item["is_complete"]) == ("finished", None, True)
    assert item["done"] <= item["total"]
    listed = egon.get("/api/v1/reports").json()
    assert (listed["total"], listed["items"][0]["week"], listed["next"]) == (1, "2025-W20", None)

    fetched = {f["form"]: egon.get(f["href"]) for f in item["files"]}
    assert [f["bytes"] for f in item["files"]] == [len(fetched[f["form"]].content) for f in item["files"]]
    assert list(fetched) == ["html", "pdf", "csv", "json"]
    assert fetched["pdf"].content.startswith(b"%PDF")
    assert fetched["pdf"].headers["content-type"] == "application/pdf"
    assert 'filename="steadyhead-2025-W20.pdf"' in fetched["pdf"].headers["content-disposition"]
    rows = list(csv.DictReader(io.StringIO(fetched["csv"].content.decode("utf-8-sig"))))
    document = fetched["json"].json()
    assert document["pages"] == ["oak"]  # asked for, though it needs none
    whole = {row["station"]: float(row["value"]) for row in rows if row["figure"] == "completeness"}
    assert whole == {"elm": 100.0, "oak": 100.0}  # nothing was on the disk when it was asked for
    html = fetched["html"]
    assert "<script" not in html.text
    assert "default-src 'none'" in html.headers["content-security-policy"]
    assert "'unsafe-inline'" not in egon.get("/reports").headers["content-security-policy"]

    with room.database.reading() as session:
        lines = [(r.who, r.what, r.subject) for r in session.query(AuditRow).filter_by(subject_kind="report")]
    assert lines == [("egon", "report_asked", "2025-W20")]

    with signed_in(base, "vera") as vera:  # who may look may fetch and not ask
        assert vera.get("/api/v1/reports/2025-W20/csv").status_code == 200
        refused = vera.post("/api/v1/reports", json={"week": "2025-W20"})
        assert refused.status_code == 403
        assert "may not ask for weekly reports" in refused.json()["detail"]
        assert "An engineer or an administrator can ask" in vera.get("/reports").text
    token = room.accounts.make_token("archive", "read", "egon").secret
    egon.cookies.clear()
    got = egon.get("/api/v1/reports/2025-W20/json", headers={"Authorization": f"Bearer {token}"})
    assert got.json()["week"] == "2025-W20"


def refusal(client, **asked):
    answer = client.post("/api/v1/reports", json=asked)
    assert answer.headers["content-type"] == "application/problem+json"
    told = answer.json()
    return answer.status_code, told["type"].rpartition(":")[2], told["detail"], told["what_to_do"]


def test_what_cannot_be_made_is_refused_at_once_and_in_words(room, egon, tmp_path):
    status, kind, detail, _ = refusal(egon, week="2024-W20")
    assert (status, kind) == (409, "no-readings-in-week")
    assert detail == (
        "2024-W20: no station has a reading in that week; there are readings of weeks 2025-W16 to 2025-W20"
    )
    assert refusal(egon, week="2031-W02", even_if_incomplete=True)[:2] == (409, "no-readings-in-week")

    status, kind, detail, _ = refusal(egon, week="2025-W20", pages_for=["elm", "elk"])
    assert (status, kind, detail) == (422, "invalid-request", 'there is no station "elk" in the registry')

    status, kind, detail, _ = refusal(egon, week="2025-W54")
    assert (status, kind) == (422, "invalid-request")
    assert "2025 has no ISO week 54" in detail
    assert refusal(egon, week="last")[0] == 422

    (tmp_path / "reports").write_text("a file where the folder should be")
    status, kind, detail, _ = refusal(egon, week="2025-W20")
    assert (status, kind) == (507, "cannot-write")
    assert "cannot be written" in detail
    assert egon.get("/api/v1/reports").json()["items"] == []
    for path in ("/api/v1/reports/2025-W20", "/api/v1/reports/2025-W20/pdf"):
        assert egon.get(path).status_code == 404
    assert egon.get("/api/v1/reports/2025-W20/docx").status_code == 422
    with room.database.reading() as session:
        assert session.query(AuditRow).filter_by(subject_kind="report").count() == 0


def test_a_week_that_is_not_complete_is_refused_unless_it_is_wanted_so(room, egon, monkeypatch):
    week = regular("elm", TO_S, STEP, np.full(200, 400.0), inlet_kpa=np.full(200, 700.0))
    room.archive.append(week)
    status, kind, detail, what_to_do = refusal(egon, week="2025-W21")
    assert (status, kind) == (409, "week-not-complete")
    assert detail == "2025-W21: the week is not over before 2025-05-26 00:00 UTC"
    assert "even_if_incomplete" in what_to_do
    answer = egon.post("/api/v1/reports", json={"week": "2025-W21", "even_if_incomplete": True})
    assert answer.status_code == 202
    item = follow(egon, "2025-W21")
    assert item["is_complete"] is False
    assert "This week is not complete." in egon.get("/api/v1/reports/2025-W21/html").text
    assert "<b>not complete</b>" in egon.get("/reports").text


def test_two_asks_for_one_week_are_one_report_and_weeks_wait_for_each_other(room, egon, monkeypatch):
    held = Held(monkeypatch)
    assert egon.post("/api/v1/reports", json={"week": "2025-W20"}).json()["state"] in ("waiting", "running")
    ends = time.monotonic() + 30
    while egon.get("/api/v1/reports/2025-W20").json()["doing"] != "Judging elm":
        assert time.monotonic() < ends
    shown = egon.get("/reports").text
    assert "is being made" in shown
    assert 'data-watch="3"' in shown
    again = egon.post("/api/v1/reports", json={"week": "2025-W20"})
    assert (again.status_code, again.json()["state"]) == (202, "running")
    for _ in range(2):
        other = egon.post("/api/v1/reports", json={"week": "2025-W19"})
        assert other.json()["state"] == "waiting"
    assert held.begun == [WEEK]
    held.go.set()
    assert follow(egon)["state"] == "finished"
    assert follow(egon, "2025-W19")["state"] == "finished"
    assert held.begun == [WEEK, WEEK.shifted(-1)]


def running_process(room, limit_s=60.0):
    ends = time.monotonic() + limit_s
    while (found := room.reporter._process) is None:
        assert time.monotonic() < ends
        time.sleep(0.005)
    return found


def test_it_is_made_in_a_process_of_low_priority_and_a_kill_of_it_spoils_nothing(room, egon, tmp_path):
    folder = tmp_path / "reports" / "2025-W20"
    folder.mkdir(parents=True)
    head = {"format": 1, "made_at": "2025-05-19T06:00:00Z", "is_complete": True, "work": []}
    (folder / "report.json").write_text(json.dumps(head, indent=1))
    (folder / "report.html").write_text("<p>as it was</p>")
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    egon.post("/api/v1/reports", json={"week": "2025-W20"})
    process = running_process(room)
    ends = time.monotonic() + 60
    wanted = min(19, os.getpriority(os.PRIO_PROCESS, 0) + apart.NICE)  # 19 is the lowest priority there is
    while os.getpriority(os.PRIO_PROCESS, process.pid) != wanted:
        assert time.monotonic() < ends
        time.sleep(0.01)
    assert process.pid != os.getpid()
    process.send_signal(signal.SIGKILL)
    item = follow(egon)
    assert item["state"] == "failed"
    assert item["problem"]["detail"] == reporter.BROKE_OFF
    assert item["files"]  # the older one stands
    assert {path.name: path.read_bytes() for path in folder.iterdir() if not path.is_dir()} == before
    assert "could not be made" in egon.get("/reports").text


def test_a_service_that_ends_takes_the_process_with_it_and_leaves_no_half_report(room, tmp_path):
    with served(make_app(room)) as base, signed_in(base, "egon") as client:
        client.post("/api/v1/reports", json={"week": "2025-W20"})
        process = running_process(room)
    assert process.poll() is not None
    assert not [path for path in (tmp_path / "reports").rglob("*") if path.is_file()]


def test_what_another_process_has_asked_for_is_given_up_when_its_input_closes(room, tmp_path):
    """As after a kill -9 of the service: the pipe closes, nobody waits any more."""
    room.archive.flush()
    folder = tmp_path / "alone"
    order = apart.Order(
        reporter.DataPlace.of(room.settings), room.registry, ReportSettings(), WEEK, folder, (), NOW_S
    )
    process = subprocess.Popen(
        [sys.executable, "-m", "steadyhead.weekly.apart"], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    )
    pickle.dump(order, process.stdin)
    process.stdin.flush()
    assert json.loads(process.stdout.readline())["what"]  # it is at work
    process.stdin.close()
    assert process.wait(60) is not None
    process.stdout.close()
    assert not folder.exists() or not list(folder.iterdir())
    room.start()
    room.stop()
