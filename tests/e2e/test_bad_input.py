"""Bad input gets a clear line on stderr and exit code 2, and leaves nothing half-written."""

import resource
from pathlib import Path

import pytest


def contents(folder: Path) -> dict[str, bytes]:
    return {str(path): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def edit(path: Path, old: str, new: str) -> None:
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new))


def missing_file(folder: Path) -> None:
    (folder / "worn_seat.csv").unlink()


def empty_file(folder: Path) -> None:
    (folder / "worn_seat.csv").write_text("")


def heading_only(folder: Path) -> None:
    (folder / "worn_seat.csv").write_text("time,inlet,outlet,flow\n")


def unknown_unit(folder: Path) -> None:
    edit(folder / "stations.yaml", "unit: gpm", "unit: gallons")


def absent_tag(folder: Path) -> None:
    edit(folder / "stations.yaml", "tag: outlet", "tag: outlet_pressure")


def only_empty_cells(folder: Path) -> None:
    log = folder / "worn_seat.csv"
    rows = [line.split(",") for line in log.read_text().splitlines()]
    log.write_text(
        "\n".join(",".join((r[0], r[1], r[2] if n == 0 else "NaN", r[3])) for n, r in enumerate(rows))
    )


def no_zone(folder: Path) -> None:
    edit(folder / "stations.yaml", "    time_zone: UTC\n", "")


def station_twice(folder: Path) -> None:
    registry = folder / "stations.yaml"
    text = registry.read_text()
    registry.write_text(text + text[text.index("  worn_seat:") :])


def short_span(folder: Path) -> None:
    log = folder / "worn_seat.csv"
    log.write_text("".join(log.read_text().splitlines(keepends=True)[:300]))  # a day


def corrupt_parquet(folder: Path) -> None:
    (folder / "worn_seat.parquet").write_bytes(b"PAR1" + b"\0" * 400 + b"PAR1")
    edit(folder / "stations.yaml", "worn_seat.csv", "worn_seat.parquet")


def torn_gzip(folder: Path) -> None:
    (folder / "worn_seat.csv").write_bytes(b"\x1f\x8b\x08\0\0\0\0\0\0\x03abc")


def unreadable_yaml(folder: Path) -> None:
    (folder / "stations.yaml").write_text("stations: [worn_seat: {\n")


def no_registry(folder: Path) -> None:
    (folder / "stations.yaml").unlink()


SPOILED = [
    # what is done, and words that must be in the one line: what is at fault, and what to do
    (missing_file, ["worn_seat", "no file matches", "worn_seat.csv"]),
    (empty_file, ["worn_seat.csv", "empty"]),
    (heading_only, ["worn_seat.csv"]),
    (unknown_unit, ["stations.yaml:", "gallons", "not a known unit", "gpm"]),
    (absent_tag, ["worn_seat", "outlet_pressure", "they hold", "mend"]),
    (only_empty_cells, ["worn_seat", "outlet"]),
    (no_zone, ["stations.yaml:", "time_zone", "is missing"]),
    (station_twice, ["stations.yaml:", "worn_seat"]),
    (short_span, ["worn_seat", "days"]),
    (corrupt_parquet, ["worn_seat.parquet", "corrupt"]),
    (torn_gzip, ["worn_seat.csv", "gzip"]),
    (unreadable_yaml, ["stations.yaml"]),
    (no_registry, ["stations.yaml"]),
]


@pytest.mark.parametrize(("spoil", "words"), SPOILED, ids=[spoil.__name__ for spoil, _ in SPOILED])
def test_learn_says_in_one_line_what_is_wrong(run_here, worn, worn_profiles, tmp_path, spoil, words):
    spoil(worn)
    profiles = tmp_path / "profiles"
    profiles.mkdir()
    (profiles / "worn_seat.json").write_bytes((worn_profiles / "worn_seat.json").read_bytes())
    before = contents(tmp_path)
    result = run_here("learn", "--registry", worn / "stations.yaml", "--profiles", profiles)
    assert result.code == 2
    assert len(result.err.splitlines()) == 1, result.err
    assert result.err.startswith("steadyhead: ")
    for word in words:
        assert word in result.err, result.err
    assert contents(tmp_path) == before


@pytest.mark.parametrize(
    "spoil", [missing_file, corrupt_parquet, unknown_unit], ids=lambda spoil: spoil.__name__
)
def test_scan_says_it_too_and_prints_no_alerts(run, worn, worn_profiles, tmp_path, spoil):
    spoil(worn)
    before = contents(tmp_path)
    for more in (["--json"], ["--out", tmp_path / "out"]):
        result = run("scan", "--registry", worn / "stations.yaml", "--profiles", worn_profiles, *more)
        assert result.code == 2
        assert len(result.err.splitlines()) == 1, result.err
        assert "{" not in result.out
    assert contents(tmp_path) == before


def test_every_mistake_of_a_registry_is_reported_at_once(run_here, worn):
    unknown_unit(worn)
    no_zone(worn)
    result = run_here("learn", "--registry", worn / "stations.yaml")
    assert result.code == 2
    assert len(result.err.splitlines()) == 2
    assert "gallons" in result.err
    assert "time_zone" in result.err


def test_a_full_disk_leaves_the_old_profile_in_use(run, worn_folder, worn_profiles, tmp_path):
    profile = tmp_path / "worn_seat.json"
    profile.write_bytes((worn_profiles / "worn_seat.json").read_bytes())
    before = contents(tmp_path)

    def no_room() -> None:
        # Every write beyond this many bytes fails, as on a full disk.
        resource.setrlimit(resource.RLIMIT_FSIZE, (1000, 1000))

    result = run(
        "learn", "--registry", worn_folder / "stations.yaml", "--profiles", tmp_path, "--to", "2025-03-09",
        before=no_room,
    )  # fmt: skip
    assert result.code == 2, result.out
    assert len(result.err.splitlines()) == 1, result.err
    assert "cannot be written" in result.err
    assert contents(tmp_path) == before


def test_a_full_disk_leaves_the_old_alerts(run, worn_folder, worn_profiles, tmp_path):
    (tmp_path / "alerts.jsonl").write_text("old\n")
    before = contents(tmp_path)

    def no_room() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (1000, 1000))

    result = run(
        "scan", "--registry", worn_folder / "stations.yaml", "--profiles", worn_profiles, "--out", tmp_path,
        before=no_room,
    )  # fmt: skip
    assert result.code == 2, result.out
    assert "alerts.jsonl: cannot be written" in result.err
    assert "the older file is unchanged" in result.err
    assert contents(tmp_path) == before


def test_a_full_disk_where_compiled_code_is_kept_gets_one_line_too(run, worn_folder, tmp_path):
    def no_room() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (1000, 1000))

    result = run(
        "learn", "--registry", worn_folder / "stations.yaml", "--profiles", tmp_path / "profiles",
        before=no_room, NUMBA_CACHE_DIR=str(tmp_path / "cache"),
    )  # fmt: skip
    assert result.code == 2, result.out
    assert len(result.err.splitlines()) == 1, result.err
    assert "File too large; free some space" in result.err
    assert not (tmp_path / "profiles").exists()


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["scan", "nowhere"], ['"nowhere"', "known: alder_row"]),
        (["scan", "--details", "some"], ["some", "scan --help"]),
        (["learn", "--from", "yesterday"], ["yesterday", "2025-03-01"]),
        (["lern"], ["lern", "--help"]),
        (["plant"], ["FOLDER", "--list"]),
        (["plant", "x", "--fault", "seat_wrn"], ["seat_wrn", "did you mean seat_worn"]),
        (["plant", "x", "--fault", "seat_worn=2"], ["severity", "at most 1"]),
        (["plant", "x", "--fault", "seat_worn@50"], ["day 50", "35 days"]),
        (["plant", "x", "--event", "hydrant"], ["hydrant", "size"]),
        (["plant", "x", "--event", "neighbour_raised=5"], ["neighbour"]),
        (["plant", "x", "--every", "7"], ["7", "divides a day"]),
        (["plant", "x", "--time-zone", "Mars/Olympus"], ["Mars/Olympus", "Europe/"]),
    ],
)
def test_a_wrong_option_gets_one_line_too(run_here, arguments, words):
    result = run_here(*arguments)
    assert result.code == 2
    assert len(result.err.splitlines()) == 1, result.err
    for word in words:
        assert word in result.err, result.err
    assert not Path("x").exists()


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (lambda text: "not json", ["not a readable profile"]),
        (lambda text: text.replace('"format": 1', '"format": 99'), ["format 99"]),
        (lambda text: text.replace('"step_s": 300', '"step_s": 60'), ["60 s", "300 s"]),
        (lambda text: text.replace('"station": "worn_seat"', '"station": "other"'), ["other"]),
    ],
    ids=["no JSON", "another format", "another interval", "another station"],
)
def test_an_unfit_profile_is_refused(run_here, worn_folder, worn_profiles, tmp_path, spoil, words):
    old = (worn_profiles / "worn_seat.json").read_text()
    (tmp_path / "worn_seat.json").write_text(spoil(old))
    result = run_here("scan", "--registry", worn_folder / "stations.yaml", "--profiles", tmp_path, "--json")
    assert result.code == 2
    assert result.out == ""
    assert len(result.err.splitlines()) == 1, result.err
    for word in ["worn_seat.json", "learn", *words]:
        assert word in result.err, result.err
