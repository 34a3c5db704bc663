"""The report from a service's archive and database: what people did is in it, and nothing is written."""

import json
import sqlite3
import time

import numpy as np
import pytest

from steadyhead.alerts.model import Verdict
from steadyhead.archive.archive import Keep
from steadyhead.archive.embedded import EmbeddedArchive
from steadyhead.cli import main
from steadyhead.config.load import load_registry
from steadyhead.desk.desk import Desk
from steadyhead.desk.views import NewFinding
from steadyhead.diagnosis.causes import load_knowledge
from steadyhead.live.settings import RoomSettings
from steadyhead.profile.known import Known
from steadyhead.profile.learn import learn
from steadyhead.readings.frame import regular
from steadyhead.store.database import open_database
from steadyhead.store.profiles import save_profile
from steadyhead.weekly import reporter
from steadyhead.weekly.from_data import DataSource
from steadyhead.weekly.schedule import due_week
from steadyhead.weekly.settings import ReportSettings
from steadyhead.weekly.week import Week
from steadyhead.weekly.write import make_report

WEEK, STEP, HOUR = Week(2025, 20), 300, 3600
FROM_S, TO_S = WEEK.bounds_s("UTC")
REGISTRY = """
utility: Service Water
settings: {display_units: kpa_lps}
defaults:
  time_zone: UTC
  step_s: 300
  tags: {outlet: {tag: o, unit: kPa}, inlet: {tag: i, unit: kPa}, flow: {tag: f, unit: L/s}}
  sources: [{path: none.csv}]
stations: {elm: {}, oak: {}, fir: {}}
"""


def readings_of(name: str, seed: int):
    n = (TO_S - WEEK.shifted(-4).bounds_s("UTC")[0]) // STEP
    rng = np.random.default_rng(seed)
    flow = 6.0 - 4.0 * np.cos(np.arange(n) * STEP / 86400 * 2 * np.pi)
    return regular(
        name, TO_S - n * STEP, STEP, 400 + rng.normal(0, 1, n), inlet_kpa=700.0 + rng.normal(0, 2, n),
        flow_lps=flow + rng.normal(0, 0.1, n),
    )  # fmt: skip


def verdict(station: str, condition: str, raised_s: int) -> Verdict:
    return Verdict(
        station=station, condition=condition, confidence=0.9, runners_up=(),
        magnitude={"departure_kpa": 40.0, "departure_share": 0.1}, evidence=("It stands high.",),
        began_s=raised_s - HOUR, raised_s=raised_s, ended_s=None, updated_s=raised_s, profile_version="v",
        window_s=(raised_s - HOUR, raised_s),
    )  # fmt: skip


class Clock:
    now = float(FROM_S)

    def __call__(self) -> float:
        return self.now


class Service:
    """What is needed of a running service; see ``weekly.reporter.RoomLike``."""

    def __init__(self, folder) -> None:
        (folder / "stations.yaml").write_text(REGISTRY)
        self.folder = folder
        self.registry = load_registry(folder / "stations.yaml")
        self.knowledge = load_knowledge()
        self.clock = Clock()
        self.data = folder / "data"
        self.data.mkdir()
        self.database = open_database(f"sqlite:///{self.data / 'steadyhead.db'}")
        self.archive = EmbeddedArchive(self.data, dict.fromkeys(self.registry.stations, STEP), Keep())
        self.desk = Desk(self.database, self.knowledge, self.registry, self.clock)
        self.profiles = folder / "profiles"
        self.settings = RoomSettings(data_folder=self.data, profiles=self.profiles)
        for seed, name in enumerate(self.registry.stations):
            readings = readings_of(name, seed)
            self.archive.append(readings)
            save_profile(self.profiles, learn(readings, Known()))
        self.archive.flush()


@pytest.fixture
def service(tmp_path):
    made = Service(tmp_path)
    desk, clock = made.desk, made.clock
    first = desk.raised(verdict("elm", "drift", FROM_S + 10 * HOUR))
    clock.now = FROM_S + 13 * HOUR
    desk.acknowledge(first.alert_id, "ada", "on my way")
    finding = desk.record_finding(
        NewFinding("elm", "drift", first.alert_id, text="Lock-nut slack", done="Tightened."), "ada"
    )
    clock.now = FROM_S + 20 * HOUR
    desk.record_repair(finding.id, "ada", FROM_S + 19 * HOUR)
    desk.cleared(first.alert_id, FROM_S + 34 * HOUR)
    desk.raised(verdict("oak", "hunting", FROM_S + 60 * HOUR))
    clock.now = FROM_S + 70 * HOUR
    desk.out_of_service("fir", "bo", "being rebuilt")
    clock.now = TO_S + HOUR
    yield made
    made.archive.close()
    made.database.close()


QUICK = ReportSettings(has_pdf=False)


def write_week(room, week, folder, settings):
    """The report straight from an open archive and database."""
    source = DataSource(room.registry, room.knowledge, room.archive, room.database, room.desk, room.profiles)
    return make_report(source, week, folder / str(week), settings)


def test_what_people_did_is_in_the_report(service, tmp_path):
    written = write_week(service, WEEK, tmp_path / "reports", QUICK)
    assert written.files[0].parent == tmp_path / "reports" / "2025-W20"
    elm, oak, fir = written.fleet.stations
    assert elm.by_key["time_to_acknowledge"].value == 3 * HOUR
    assert elm.by_key["time_to_clear"].value == 24 * HOUR
    assert elm.alerts[0].acknowledged_by == "ada"
    assert elm.alerts[0].findings == ("Lock-nut slack. Tightened.",)
    assert [(r.station, r.result) for r in written.fleet.repairs] == [("elm", "unproved")]
    assert [line.stands for line in oak.alerts] == [True]
    assert fir.outage.why == "being rebuilt"
    assert [(item.station, item.what) for item in written.fleet.work] == [
        ("oak", "Calm the valve"), ("elm", "Prove the repair"),
    ]  # fmt: skip
    assert written.fleet.load.calls == 2  # source: the desk's own count of announcements
    html = written.files[0].read_text()
    assert "Lock-nut slack. Tightened." in html
    assert "acknowledged" in html


def test_a_proof_of_repair_stands_under_what_got_better(service, tmp_path):
    finding = service.desk.findings(station="elm")[0]
    readings = service.archive.read("elm", FROM_S - 14 * 86400, TO_S)
    from steadyhead.store.profiles import load_profile

    proof = service.desk.prove(finding.id, "ada", readings, load_profile(service.profiles, "elm", STEP))
    written = write_week(service, WEEK, tmp_path / "reports", QUICK)
    assert written.fleet.repairs[0].result == proof.result
    assert proof.sentences[0] in written.files[0].read_text()


def test_the_command_reads_a_data_folder_and_changes_nothing(service, tmp_path, capsys):
    def rows():
        with sqlite3.connect(service.data / "steadyhead.db") as db:
            tables = [name for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
            return {name: db.execute(f'SELECT * FROM "{name}"').fetchall() for name in tables}

    before = rows(), sorted(p.name for p in (service.data / "readings").rglob("*.parquet"))
    with pytest.raises(SystemExit) as ended:
        main(
            [
                "report", "--registry", str(service.folder / "stations.yaml"), "--data", str(service.data),
                "--profiles", str(service.profiles), "--week", "2025-W20", "--out", str(tmp_path / "r"),
                "--no-pdf",
            ]
        )  # fmt: skip
    assert ended.value.code == 0, capsys.readouterr().err
    document = json.loads((tmp_path / "r" / "report.json").read_text())
    assert document["has_desk"] is True
    assert document["work"][0]["station"] == "oak"
    assert (rows(), sorted(p.name for p in (service.data / "readings").rglob("*.parquet"))) == before


def test_the_archive_gives_the_same_figures_as_the_readings_themselves(service, tmp_path):
    written = write_week(service, WEEK, tmp_path / "reports", QUICK)
    found = written.fleet.stations[0].by_key
    assert found["completeness"].value == 1.0
    week = readings_of("elm", 0).between(FROM_S, TO_S)
    from steadyhead.store.profiles import load_profile

    set_kpa = load_profile(service.profiles, "elm", STEP).set_pressure.typical_kpa
    expected = float(np.abs(week.outlet_kpa - set_kpa).mean())  # by hand; a set without schedule
    assert found["departure_mean"].value == pytest.approx(expected, rel=0.02)


def test_a_folder_without_a_database_is_refused(tmp_path, service, capsys):
    (tmp_path / "empty").mkdir()
    with pytest.raises(SystemExit) as ended:
        main(
            ["report", "--registry", str(service.folder / "stations.yaml"), "--data", str(tmp_path / "empty")]
        )
    assert ended.value.code == 2
    assert "holds no database of a service" in capsys.readouterr().err
    assert list((tmp_path / "empty").iterdir()) == []


def at_work(service, settings, now_s):
    """A reporter that has been started, and looks at once whether a report is due."""
    made = reporter.Reporter(settings, lambda: now_s)
    made.start(service)
    return made


def wait_for(claim, limit_s=90.0):
    ends = time.monotonic() + limit_s
    while not claim():
        assert time.monotonic() < ends
        time.sleep(0.05)


def test_the_week_that_is_due_is_last_week_from_its_hour_on():
    settings = ReportSettings(is_made=True, day="mon", hour=6)
    assert due_week(TO_S + 5 * HOUR, "UTC", settings) == WEEK.shifted(-1)
    assert due_week(TO_S + 6 * HOUR, "UTC", settings) == WEEK


def test_a_service_writes_the_report_that_is_due_once_and_says_that_the_clock_asked(
    service, tmp_path, monkeypatch
):
    monkeypatch.setattr(reporter, "FIRST_LOOK_S", 0.01)
    monkeypatch.setattr(reporter, "LOOK_S", 0.2)
    settings = ReportSettings(is_made=True, has_pdf=False, folder=tmp_path / "r")
    made = at_work(service, settings, TO_S + 7.0 * HOUR)
    path = tmp_path / "r" / "2025-W20" / "report.json"
    wait_for(lambda: path.exists() and made.asks()[WEEK].is_over)
    before = path.stat().st_mtime_ns
    time.sleep(1.0)  # several looks
    made.stop()
    assert not made._thread.is_alive()
    assert path.stat().st_mtime_ns == before
    assert made.asks()[WEEK].state == "finished"
    assert reporter.asked_by(service.database, [WEEK]) == {"2025-W20": ("clock", int(TO_S + 7.0 * HOUR))}
    assert json.loads(path.read_text())["is_complete"] is True


def test_a_service_that_is_not_asked_for_reports_looks_for_none(service, tmp_path):
    idle = at_work(service, ReportSettings(folder=tmp_path / "r"), TO_S + 7.0 * HOUR)
    assert idle._thread is None
    idle.stop()
    assert not (tmp_path / "r").exists()


def test_a_week_without_readings_is_no_defect_of_the_thread(service, tmp_path, monkeypatch, caplog):
    monkeypatch.setattr(reporter, "FIRST_LOOK_S", 0.01)
    settings = ReportSettings(is_made=True, has_pdf=False, folder=tmp_path / "r")
    made = at_work(service, settings, TO_S + 60.0 * 86400)
    wait_for(lambda: "no report:" in caplog.text)
    made.stop()
    assert "no station has a reading in that week" in caplog.text
    assert "defect" not in caplog.text
    assert not (tmp_path / "r").exists()
