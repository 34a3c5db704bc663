"""All parsers of outside bytes, by name."""

from __future__ import annotations

from importlib import import_module

from .target import Target

NAMES = (
    "log_csv", "log_gzip", "log_parquet", "registry_yaml", "settings_yaml", "mapping_yaml", "causes_yaml",
    "push_json", "line_protocol", "body_gzip", "mqtt_json", "sparkplug_b", "flux_csv", "opcua_values", "words",
    "profile_json", "alert_json", "checkpoint", "journal_file", "cursors",
)  # fmt: skip


def target(name: str) -> Target:
    """The parser of that name; imported only now, so that a guided run can instrument what it imports."""
    found: Target = import_module(f"{__package__}.{name}").TARGET
    assert found.name == name
    return found
