"""Settings under ``alerts_out:``. docs/feeds/alerts_out.md explains each."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Annotated

from pydantic import Field, model_validator

from steadyhead.config.fields import Number
from steadyhead.config.mistakes import ModelError
from steadyhead.config.source import Part
from steadyhead.feeds.settings import Broker, Security

_BASE = re.compile(r"[A-Za-z0-9_-]+(/[A-Za-z0-9_-]+)*\Z")


class MqttOut(Broker):
    """Where the state of alerts is published, retained. base : first part of all topics."""

    base: str = "steadyhead"
    client_id: str = "steadyhead-alerts"

    @model_validator(mode="after")
    def _fits_together(self) -> MqttOut:
        if not _BASE.match(self.base) or self.base.split("/")[0] in ("spBv1.0", "STATE"):
            text = (
                f'"{self.base}" cannot begin our topics; use letters, digits, "_" and "-", and not the '
                "topics that devices listen to, such as spBv1.0"
            )
            raise ModelError([(("base",), text)])
        return self


class InfluxOut(Part):
    """An InfluxDB 2 bucket that takes points of alerts and profiles.

    The token may write to this bucket alone.
    """

    url: str = "http://127.0.0.1:8086"
    org: str
    bucket: str
    token_file: Path
    timeout_s: Annotated[Number, Field(gt=0, le=600)] = 10.0


class OpcUaOut(Part):
    """A server of our own that others read alerts from, as conditions of OPC UA Part 9.

    security : none lets everybody read who reaches the port; otherwise signed and encrypted, and only clients
        whose certificates lie in clients_folder
    """

    host: str = "127.0.0.1"
    port: Annotated[int, Field(ge=1, le=65535)] = 4840
    security: Security = "none"
    certificate_file: Path | None = None
    key_file: Path | None = None
    clients_folder: Path | None = None
    username: str | None = None
    password_file: Path | None = None

    @model_validator(mode="after")
    def _fits_together(self) -> OpcUaOut:
        found: list[tuple[tuple[str | int, ...], str]] = []
        files = ("certificate_file", "key_file", "clients_folder")
        if self.security != "none" and any(getattr(self, name) is None for name in files):
            text = f'"{self.security}" needs {files[0]}, {files[1]} and {files[2]}; name all three'
            found.append((("security",), text))
        if self.security == "none" and self.username is not None:
            text = "would send its password in the clear; choose a security, or leave username out"
            found.append((("username",), text))
        if (self.username is None) != (self.password_file is None):
            found.append((("username",), "and password_file belong together; give both or neither"))
        if found:
            raise ModelError(found)
        return self


class OutSettings(Part):
    """Who gets alerts besides people."""

    mqtt: MqttOut | None = None
    influxdb: InfluxOut | None = None
    opcua: OpcUaOut | None = None

    def beside(self, folder: Path) -> OutSettings:
        """The same with its files relative to a folder."""
        changes: dict[str, Part] = {}
        for name in ("mqtt", "influxdb", "opcua"):
            part = getattr(self, name)
            if part is not None:
                moved = {key: folder / value for key in type(part).model_fields
                         if isinstance(value := getattr(part, key), Path)}  # fmt: skip
                changes[name] = part.model_copy(update=moved)
        return self.model_copy(update=changes)
