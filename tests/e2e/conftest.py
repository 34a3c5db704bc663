"""How commands are run, and a small utility made by the plant with its profiles."""

import shutil
from pathlib import Path

import pytest

from steadyhead.cli import main

from .running import ROOT, WIDTH, Result, Run, run_steadyhead


@pytest.fixture(scope="session")
def run() -> Run:
    return run_steadyhead


@pytest.fixture
def run_here(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Run:
    """The same in this process, which need not load the libraries anew."""
    monkeypatch.chdir(ROOT)
    monkeypatch.setenv("COLUMNS", WIDTH)

    def run_main(*arguments: object) -> Result:
        with pytest.raises(SystemExit) as ended:
            main([str(argument) for argument in arguments])
        printed = capsys.readouterr()
        return Result(int(ended.value.code or 0), printed.out, printed.err)

    return run_main


@pytest.fixture(scope="session")
def worn_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One station whose seat wears out from day 11 of 14."""
    folder = tmp_path_factory.mktemp("worn")
    made = run_steadyhead(
        "plant", folder, "--name", "worn_seat", "--days", 14, "--every", 300, "--district", "closed-nights",
        "--fault", "seat_worn=0.6@11+0.5", "--units", "psi_gpm",
    )  # fmt: skip
    assert made.code == 0, made.err
    return folder


@pytest.fixture
def worn(worn_folder: Path, tmp_path: Path) -> Path:
    """The same, as a copy of one's own to spoil."""
    return Path(shutil.copytree(worn_folder, tmp_path / "worn"))


@pytest.fixture(scope="session")
def worn_profiles(worn_folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    profiles = tmp_path_factory.mktemp("profiles")
    learned = run_steadyhead("learn", "--registry", worn_folder / "stations.yaml", "--profiles", profiles)
    assert learned.code == 0, learned.err
    return profiles
