"""What Prometheus can ask for: requests as they are answered, and the state of the run as it is asked."""

from __future__ import annotations

from collections.abc import Iterator
from importlib.metadata import version

from prometheus_client import CollectorRegistry, Counter, Histogram
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric
from prometheus_client.exposition import CONTENT_TYPE_LATEST, generate_latest
from prometheus_client.registry import Collector

from steadyhead.api.context import Context
from steadyhead.api.notifications import outgoing
from steadyhead.errors import DatabaseError

BUCKETS_S = (0.005, 0.01, 0.025, 0.05, 0.1, 0.2, 0.3, 0.5, 1.0, 2.5, 5.0, 10.0)
METHODS = ("GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS")


class Metrics:
    """A registry of its own, so that two services in one process, as in tests, do not mix."""

    def __init__(self, context: Context) -> None:
        self.registry = CollectorRegistry(auto_describe=True)
        labels = ("method", "route", "status")
        self._requests = Counter(
            "steadyhead_http_requests", "Requests answered.", labels, registry=self.registry
        )
        self._seconds = Histogram(
            "steadyhead_http_seconds",
            "Time until the answer began [s].",
            ("method", "route"),
            buckets=BUCKETS_S,
            registry=self.registry,
        )
        self.registry.register(_Run(context))

    def observe(self, method: str, route: str, status: int, took_s: float) -> None:
        """Count one answer; by the route's pattern and known methods, so that nobody can make new labels."""
        method = method if method in METHODS else "other"
        self._requests.labels(method, route, str(status)).inc()
        self._seconds.labels(method, route).observe(took_s)

    def text(self) -> tuple[bytes, str]:
        """The exposition, and its media type."""
        return generate_latest(self.registry), CONTENT_TYPE_LATEST


class _Run(Collector):
    """The live run and the desk, read at the moment they are asked for."""

    def __init__(self, context: Context) -> None:
        self._context = context

    def describe(self) -> list[Metric]:
        """Nothing beforehand: registering must not ask the database."""
        return []

    def collect(self) -> Iterator[Metric]:
        """One family after the other."""
        status = self._context.room.runner.status()
        info = GaugeMetricFamily("steadyhead_build", "Always 1.", labels=["version"])
        info.add_metric([version("steadyhead")], 1)
        yield info
        readings = CounterMetricFamily(
            "steadyhead_readings", "Readings since the data folder was made.", labels=["outcome"]
        )
        for outcome in ("accepted", "late", "refused"):
            readings.add_metric([outcome], getattr(status, outcome))
        yield readings
        works = GaugeMetricFamily(
            "steadyhead_works", "1 while the last use of it went well.", labels=["part"]
        )
        for part in ("database", "archive", "journal"):
            works.add_metric([part], float(getattr(status, f"{part}_ok")))
        yield works
        for name, told, value in (
            ("steadyhead_journal_number", "Last record accepted.", status.journal_no),
            ("steadyhead_judged_number", "Last record judged.", status.done_no),
            ("steadyhead_backlog_items", "Readings accepted and not judged yet.", status.backlog_items),
            ("steadyhead_backlog_seconds", "Listening time between accepting and judging.", status.backlog_s),
            ("steadyhead_journal_bytes", "Size of the journal.", status.journal_bytes),
            ("steadyhead_disk_free_bytes", "Room left on its disk.", status.disk_free_bytes),
            ("steadyhead_clock_off_seconds", "Wall clock minus steady clock.", status.clock_off_s),
            ("steadyhead_event_streams", "Live event streams open.", self._context.hub.open_streams),
            ("steadyhead_stations", "Stations in the registry.", len(self._context.room.registry.stations)),
        ):
            yield GaugeMetricFamily(name, told, value=float(value))
        if status.last_data_s is not None:
            age_s = self._context.room.clock() - status.last_data_s
            yield GaugeMetricFamily(
                "steadyhead_last_reading_age_seconds", "Age of the latest reading.", age_s
            )
        yield from self._alerts()
        yield from self._outgoing()

    def _alerts(self) -> Iterator[Metric]:
        try:
            total = self._context.room.desk.counts().total
        except DatabaseError:
            return  # steadyhead_works says that it is gone; a made-up 0 alerts would be a lie
        alerts = GaugeMetricFamily("steadyhead_alerts", "Alerts by what they need.", labels=["kind"])
        for kind in ("standing", "unacknowledged", "held"):
            alerts.add_metric([kind], getattr(total, kind))
        yield alerts

    def _outgoing(self) -> Iterator[Metric]:
        try:
            found = outgoing(self._context.room, limit=0)
        except DatabaseError:
            return
        messages = GaugeMetricFamily(
            "steadyhead_notifications",
            "Messages about alerts that are not delivered, by channel.",
            labels=["channel", "kind"],
        )
        given_up = CounterMetricFamily(
            "steadyhead_notifications_given_up", "Messages that were given up.", labels=["channel"]
        )
        oldest = GaugeMetricFamily(
            "steadyhead_notification_oldest_seconds", "Age of the oldest message due.", labels=["channel"]
        )
        for state in found.channels:
            for kind in ("waiting", "failing", "planned"):
                messages.add_metric([state.channel, kind], getattr(state, kind))
            given_up.add_metric([state.channel], state.gave_up)
            if state.oldest_due_s is not None:
                age_s = max(0.0, self._context.room.clock() - state.oldest_due_s)
                oldest.add_metric([state.channel], age_s)
        yield from (messages, given_up, oldest)
        yield GaugeMetricFamily(
            "steadyhead_notifications_given_up_unseen",
            "Messages given up that nobody has seen to yet.",
            value=found.unseen,
        )
        works = GaugeMetricFamily(
            "steadyhead_alerts_out_works", "1 while this way to other programs works.", labels=["way"]
        )
        for way in found.ways:
            works.add_metric([way.name], float(way.error is None))
        yield works
