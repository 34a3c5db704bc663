"""The container files, as far as they can be held to without a container engine."""

import re
import subprocess
from pathlib import Path
from urllib.parse import urlsplit

import pytest
import yaml

from steadyhead.cli import COMMANDS
from steadyhead.live.settings import load_settings
from steadyhead.store.database import open_database

ROOT = Path(__file__).parents[2]
COMPOSE = yaml.safe_load((ROOT / "docker-compose.yml").read_text())
MADE_BY_THE_USER = {"./out", "./secrets"}


def sources(service: dict) -> list[str]:
    return [volume.split(":")[0] for volume in service.get("volumes", [])]


@pytest.mark.parametrize("name", COMPOSE["services"])
def test_what_a_service_uses_is_there_or_declared(name):
    service = COMPOSE["services"][name]
    assert set(service.get("secrets", [])) <= set(COMPOSE["secrets"])
    assert set(service.get("depends_on", {})) <= set(COMPOSE["services"])
    for source in sources(service):
        if source.startswith("./"):
            assert source in MADE_BY_THE_USER or (ROOT / source).is_dir(), source
        else:
            assert source in COMPOSE["volumes"], source


def test_logs_and_settings_are_mounted_read_only():
    for name in ("steadyhead", "scan"):
        for volume in COMPOSE["services"][name]["volumes"]:
            if "config" in volume or "sample_logs" in volume:
                assert volume.endswith(":ro"), volume


def test_only_the_pages_are_reached_and_only_from_this_machine():
    assert [name for name, service in COMPOSE["services"].items() if "ports" in service] == ["steadyhead"]
    assert all(port.startswith("127.0.0.1:") for port in COMPOSE["services"]["steadyhead"]["ports"])


def test_the_settings_of_the_container_fit_the_services():
    settings = load_settings(ROOT / "config" / "container.yaml")
    postgres = COMPOSE["services"]["postgres"]["environment"]
    url = urlsplit(settings.database)
    assert (url.hostname, url.username, url.path) == (
        "postgres",
        postgres["POSTGRES_USER"],
        f"/{postgres['POSTGRES_DB']}",
    )
    assert url.password is None
    influx = COMPOSE["services"]["influx"]["environment"]
    assert urlsplit(settings.influx.url).hostname in COMPOSE["services"]
    assert settings.influx.org == influx["DOCKER_INFLUXDB_INIT_ORG"]
    assert settings.influx.bucket == influx["DOCKER_INFLUXDB_INIT_BUCKET"]
    assert str(settings.influx.token_file) == "/run/secrets/influx_token"
    assert COMPOSE["services"]["steadyhead"]["ports"] == [f"127.0.0.1:{settings.port}:{settings.port}"]


def test_the_image_is_made_of_files_that_are_there_and_not_ignored():
    copied = [
        word
        for line in re.findall(r"^COPY (?!--from)(.+)$", (ROOT / "Dockerfile").read_text(), re.MULTILINE)
        for word in line.split()[:-1]
    ]
    let_in = {line[1:] for line in (ROOT / ".dockerignore").read_text().splitlines() if line.startswith("!")}
    assert copied
    for path in copied:
        assert (ROOT / path).exists(), path
        assert path.split("/")[0] in let_in, path


def test_the_image_starts_a_command_that_exists():
    started = re.search(r"^CMD \[(.+)\]$", (ROOT / "Dockerfile").read_text(), re.MULTILINE)
    assert started is not None
    assert started[1].split(",")[0].strip('"') in COMMANDS


def test_the_start_script_gives_the_password_and_hands_the_words_on(tmp_path):
    fake = tmp_path / "steadyhead"
    fake.write_text('#!/bin/sh\necho "$PGPASSWORD|$*"\n')
    fake.chmod(0o755)
    (tmp_path / "password").write_text("pass word\n")
    for name, wanted in (("password", "pass word|serve --port 1\n"), ("none", "|serve --port 1\n")):
        done = subprocess.run(
            [str(ROOT / "container" / "start"), "serve", "--port", "1"],
            env={
                "PATH": f"{tmp_path}:/usr/bin:/bin",
                "POSTGRES_PASSWORD_FILE": str(tmp_path / name),
                "PGPASSWORD": "",
            },
            capture_output=True, text=True, timeout=20, check=True,
        )  # fmt: skip
        assert done.stdout == wanted


def test_the_database_is_opened_with_a_password_that_is_not_in_the_url(postgres_url, monkeypatch):
    parts = urlsplit(postgres_url)
    monkeypatch.setenv("PGPASSWORD", parts.password or "")
    database = open_database(postgres_url.replace(f":{parts.password}@", "@"))
    database.check()
    database.close()
