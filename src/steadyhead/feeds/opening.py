"""The connector that a block of settings asks for. Libraries are loaded when their kind is used."""

from __future__ import annotations

from steadyhead.errors import FeedError
from steadyhead.feeds import settings as s
from steadyhead.feeds.connector import Connector


def open_connector(name: str, settings: s.FeedSettings) -> Connector:
    """A connector; most connect only when they are first used. Raises FeedError."""
    if isinstance(settings, s.SqlSettings):
        from steadyhead.feeds.sql import SqlConnector

        return SqlConnector(name, settings)
    if isinstance(settings, s.MqttSettings):
        from steadyhead.feeds.mqtt import MqttConnector

        return MqttConnector(name, settings)
    if isinstance(settings, s.OpcUaSettings):
        from steadyhead.feeds.opcua import OpcUaConnector

        return OpcUaConnector(name, settings)
    if isinstance(settings, s.InfluxFeedSettings):
        from steadyhead.feeds.influxdb import InfluxConnector

        return InfluxConnector(name, settings)
    if isinstance(settings, s.FilesSettings):
        from steadyhead.feeds.object_files import FilesConnector

        return FilesConnector(name, settings)
    raise FeedError(f'{name}: "{settings.kind}" is no kind of feed; use one of {", ".join(s.KINDS)}')
