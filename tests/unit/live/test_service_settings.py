"""Settings of the service: every key documented, every mistake told with its line."""

from __future__ import annotations

from pathlib import Path

import pytest
import yaml

from steadyhead.access.settings import AccessSettings
from steadyhead.errors import RegistryError
from steadyhead.live.settings import InfluxSettings, RoomSettings, load_settings

ROOT = Path(__file__).parents[3]
NOT_OURS = {"feeds", "report"}  # sections with an example and a page of their own


def written(folder: Path, text: str) -> Path:
    path = folder / "service.yaml"
    path.write_text(text)
    return path


def test_every_key_is_in_the_docs_and_in_the_example():
    page = (ROOT / "docs" / "service.md").read_text()
    example = (ROOT / "config" / "service.yaml").read_text()
    for name in RoomSettings.model_fields:
        assert f"`{name}`" in page, name
        assert f"{name}:" in example or name in NOT_OURS, name
    for name in InfluxSettings.model_fields:
        assert f"`{name}`" in page, name
        assert f"{name}:" in example, name
    for name in AccessSettings.model_fields:
        assert f"{name}:" in example, name


def test_the_example_says_what_holds_without_it():
    settings = load_settings(ROOT / "config" / "service.yaml")
    plain = RoomSettings()
    for name in RoomSettings.model_fields:
        if name not in ("data_folder", "profiles"):
            assert getattr(settings, name) == getattr(plain, name), name
    given = yaml.safe_load((ROOT / "config" / "service.yaml").read_text())
    assert given["access"] == AccessSettings().model_dump()


def test_without_a_file_the_defaults_hold_and_only_this_machine_is_let_in():
    settings = load_settings(None)
    assert settings == RoomSettings()
    assert settings.host == "127.0.0.1"
    assert settings.database.startswith("sqlite:////")
    assert settings.database.endswith("/data/steadyhead.db")


def test_folders_are_relative_to_the_file(tmp_path: Path):
    path = written(
        tmp_path,
        "data_folder: here\nprofiles: /there\nreadings_store: influx\ninflux: {token_file: secret/token}\n",
    )
    settings = load_settings(path)
    assert settings.data_folder == tmp_path / "here"
    assert settings.profiles == Path("/there")
    assert settings.influx.token_file == tmp_path / "secret" / "token"
    assert load_settings(written(tmp_path, "")).data_folder == Path("data")


def test_the_key_of_second_factors_is_in_the_data_folder_or_where_it_is_named(tmp_path: Path):
    assert load_settings(written(tmp_path, "data_folder: here\n")).factor_key_file == (
        tmp_path / "here" / "second_factor.key"
    )
    named = "access: {second_factor_key_file: secret/key}\n"
    assert load_settings(written(tmp_path, named)).factor_key_file == tmp_path / "secret" / "key"
    shared = "database_url: postgresql://a@b/c\nsharing: {folder: all}\n"
    assert load_settings(written(tmp_path, shared)).factor_key_file is None  # each would make its own
    assert load_settings(written(tmp_path, shared + named)).factor_key_file == tmp_path / "secret" / "key"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("port: 80a\n", "service.yaml:1 port: .*whole number"),
        ("host: 127.0.0.1\nport: 99999\n", "service.yaml:2 port: .*65535 or less"),
        ("horizon: 5\n", "service.yaml:1 .*not a known key.*horizon_s"),
        ("port: 1\nport: 2\n", "service.yaml:2 port"),
        ("readings_store: sql\n", "use one of embedded, influx"),
        ("keep_full_days: 10\nkeep_thinned_days: 5\n", "service.yaml:2 keep_thinned_days: 5 is below"),
        ('host: "::"\n', "lets other machines reach the service"),
        ("access: {session_hours: 0}\n", r"access\.session_hours"),
        ("- a\n", "block of keys"),
    ],
)
def test_mistakes_are_told_with_line_and_remedy(tmp_path: Path, text: str, words: str):
    with pytest.raises(RegistryError, match=words):
        load_settings(written(tmp_path, text))


@pytest.mark.parametrize("host", ["127.0.0.1", "::1", "localhost"])
def test_loopback_needs_no_permission(host: str):
    assert RoomSettings(host=host).host == host


def test_another_host_needs_it():
    assert RoomSettings(host="0.0.0.0", open_to_network=True).host == "0.0.0.0"
    with pytest.raises(ValueError, match="open_to_network"):
        RoomSettings(host="0.0.0.0")
