"""Settings of feeds: one block per feed under ``feeds:`` in the settings of the service.

Each kind has its own model; secrets stand in files of their own, so that none is in the settings.
"""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, ValidationError, model_validator

from steadyhead.config.fields import Delimiter, Number, TimeZone, did_you_mean
from steadyhead.config.load import model_mistakes
from steadyhead.config.marked_yaml import Keys, Marked, Mistake, show
from steadyhead.config.mistakes import ModelError
from steadyhead.config.source import EPOCH_FORMATS, Part
from steadyhead.errors import FeedError
from steadyhead.feeds.mapping import in_manual

MANUAL = "docs/feeds/README.md"
Security = Literal["none", "Basic256Sha256", "Aes128Sha256RsaOaep", "Aes256Sha256RsaPss"]
"""Security policies of OPC UA that may be chosen."""


class FeedSettings(Part):
    """What every feed has.

    mapping : file of patterns; backfill_from : day from which stored readings are brought in, nothing if None
    """

    kind: str
    mapping: Path
    backfill_from: datetime | None = None

    @property
    def backfill_from_s(self) -> int | None:
        """Start of the backfill, seconds since 1970 UTC."""
        at = self.backfill_from
        if at is None:
            return None
        return int((at if at.tzinfo is not None else at.replace(tzinfo=UTC)).timestamp())

    def beside(self, folder: Path) -> FeedSettings:
        """The same with its files relative to a folder."""
        moved = {
            name: folder / value
            for name in type(self).model_fields
            if isinstance(value := getattr(self, name), Path)
        }
        return self.model_copy(update=moved)


class PolledSettings(FeedSettings):
    """What feeds have that are asked for spans of time.

    poll_s : between looks; look_back_s : how far each look goes back beyond what came last
    """

    poll_s: Annotated[Number, Field(gt=0, le=86400)] = 10.0
    look_back_s: Annotated[int, Field(ge=0, le=7 * 86400)] = 300


class SqlSettings(PolledSettings):
    """A table or view of a database. docs/feeds/sql.md explains each.

    query : with ``:from`` and ``:to``, giving time, tag, value and, if there is one, quality
    time_format : how the times of the query and of its parameters are written
    """

    kind: Literal["sql"]
    url: str
    password_file: Path | None = None
    query: str
    time_format: Literal["native", "iso", "epoch_s", "epoch_ms", "epoch_us", "epoch_ns"] = "native"
    time_zone: TimeZone = "UTC"
    timeout_s: Annotated[Number, Field(gt=0, le=3600)] = 60.0

    @model_validator(mode="after")
    def _fits_together(self) -> SqlSettings:
        missing = [name for name in (":from", ":to") if name not in self.query]
        if missing:
            said = " and no ".join(missing)
            text = f"holds no {said}; it must ask for a span: ... WHERE t >= :from AND t < :to"
            raise ModelError([(("query",), text)])
        return self


class Broker(Part):
    """How an MQTT broker is reached, whatever it is used for."""

    host: str
    port: Annotated[int, Field(ge=1, le=65535)] = 1883
    username: str | None = None
    password_file: Path | None = None
    tls: bool = False
    ca_file: Path | None = None
    certificate_file: Path | None = None
    key_file: Path | None = None


class MqttSettings(FeedSettings, Broker):
    """A broker. docs/feeds/mqtt.md explains each.

    topics : patterns with + and #; payload : how messages are written
    value_key, time_key, quality_key : where a JSON object has them, with points for what is nested
    """

    kind: Literal["mqtt"]
    version: Literal["3.1.1", "5"] = "5"
    topics: Annotated[tuple[str, ...], Field(min_length=1)]
    payload: Literal["json", "sparkplug"] = "json"
    value_key: str = "value"
    time_key: str = "time"
    quality_key: str = "quality"
    client_id: str = "steadyhead"
    keep_session_s: Annotated[int, Field(ge=0)] = 7 * 86400
    time_zone: TimeZone = "UTC"


class OpcUaSettings(PolledSettings):
    """An OPC UA server. docs/feeds/opcua.md explains each.

    nodes : node ids, or one folder below which all variables are taken
    history : whether the server stores values (Part 11); live values come by subscription in any case
    """

    kind: Literal["opcua"]
    url: str
    nodes: tuple[str, ...] = ()
    folder: str | None = None
    history: bool = True
    per_read: Annotated[int, Field(ge=1, le=1_000_000)] = 10_000
    publish_s: Annotated[Number, Field(gt=0, le=3600)] = 1.0
    security: Security = "none"
    certificate_file: Path | None = None
    key_file: Path | None = None
    server_certificate_file: Path | None = None
    username: str | None = None
    password_file: Path | None = None
    timeout_s: Annotated[Number, Field(gt=0, le=600)] = 10.0

    @model_validator(mode="after")
    def _fits_together(self) -> OpcUaSettings:
        found: list[tuple[Keys, str]] = []
        if not self.nodes and self.folder is None:
            found.append((("url",), "is given, but neither nodes nor folder; name what to read"))
        if self.security != "none" and (self.certificate_file is None or self.key_file is None):
            found.append((("security",), "needs certificate_file and key_file of this client; name both"))
        if found:
            raise ModelError(found)
        return self


class InfluxFeedSettings(PolledSettings):
    """An InfluxDB 2 bucket. docs/feeds/influxdb.md explains each.

    tag : how a series is named for the mapping, from its measurement, tags and field, such as
        "{measurement}.{site}.{field}"
    """

    kind: Literal["influxdb"]
    url: str = "http://127.0.0.1:8086"
    org: str
    bucket: str
    token_file: Path
    measurement: str | None = None
    tag: str = "{measurement}.{field}"
    quality_field: str | None = None
    timeout_s: Annotated[Number, Field(gt=0, le=600)] = 30.0


class FilesSettings(FeedSettings):
    """Parquet or CSV files on a disk or an object store. docs/feeds/files.md explains each.

    path : fsspec path with * such as "s3://bucket/history/*.parquet"; options_file : YAML of its options
    """

    kind: Literal["files"]
    path: str
    options_file: Path | None = None
    poll_s: Annotated[Number, Field(gt=0, le=86400)] = 60.0
    layout: Literal["wide", "long"] = "long"
    time_column: str = "time"
    time_format: str = "iso"
    time_zone: TimeZone = "UTC"
    tag_column: str = "tag"
    value_column: str = "value"
    quality_column: str | None = None
    delimiter: Delimiter | None = None
    decimal: Literal[".", ","] = "."

    @model_validator(mode="after")
    def _fits_together(self) -> FilesSettings:
        if self.time_format not in ("iso", *EPOCH_FORMATS) and "%" not in self.time_format:
            text = (
                f'"{self.time_format}" is not a time format; use iso, {", ".join(EPOCH_FORMATS)} or a pattern'
            )
            raise ModelError([(("time_format",), text)])
        return self


AnyFeed = SqlSettings | MqttSettings | OpcUaSettings | InfluxFeedSettings | FilesSettings
KINDS: dict[str, type[FeedSettings]] = {
    "sql": SqlSettings,
    "mqtt": MqttSettings,
    "opcua": OpcUaSettings,
    "influxdb": InfluxFeedSettings,
    "files": FilesSettings,
}


def read_feeds(marked: Marked) -> tuple[dict[str, FeedSettings], list[Mistake]]:
    """The blocks under ``feeds:`` and the mistakes in them, each with its line."""
    blocks = marked.data.get("feeds") if isinstance(marked.data, dict) else None
    if blocks is None:
        return {}, []
    if not isinstance(blocks, dict):
        text = f"is not a block of keys; write one block per feed, by name, see {MANUAL}"
        return {}, [Mistake(marked.line_of(("feeds",)), "feeds", text)]
    feeds: dict[str, FeedSettings] = {}
    mistakes: list[Mistake] = []
    for name, block in blocks.items():
        at: Keys = ("feeds", name)
        kind = block.get("kind") if isinstance(block, dict) else None
        if not isinstance(kind, str) or kind not in KINDS:
            hint = did_you_mean(str(kind), list(KINDS)) if kind else ""
            met = "has no kind" if kind is None else f'"{kind}" is no kind of feed'
            text = f"{met}; use one of {', '.join(KINDS)}" + (f"; {hint}" if hint else "")
            mistakes.append(Mistake(marked.line_of((*at, "kind")), show((*at, "kind")), text))
            continue
        lines = {keys[2:]: line for keys, line in marked.lines.items() if keys[:2] == at}
        own = Marked(marked.file, block, lines)
        try:
            feeds[name] = KINDS[kind].model_validate(block)
        except ValidationError as exc:
            found = in_manual(model_mistakes(exc, KINDS[kind], own), f"docs/feeds/{kind}.md")
            mistakes += [Mistake(one.line, f"{show(at)}.{one.keys}".rstrip("."), one.text) for one in found]
    return feeds, mistakes


def read_secret(path: Path, what: str) -> str:
    """The one line of a file. Raises FeedError if it cannot be read or is empty."""
    try:
        text = path.read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError) as exc:
        why = getattr(exc, "strerror", None) or "it is no text"
        raise FeedError(f"{path}: the {what} cannot be read ({why}); mend its path or its rights") from exc
    if not text:
        raise FeedError(f"{path}: is empty; put the {what} in it")
    return text
