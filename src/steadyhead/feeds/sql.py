"""Readings from a table or view of a database, by SQLAlchemy."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import create_engine, event, make_url, text
from sqlalchemy.engine import Engine
from sqlalchemy.exc import (
    ArgumentError,
    DBAPIError,
    InterfaceError,
    NoSuchModuleError,
    OperationalError,
    SQLAlchemyError,
)
from sqlalchemy.pool import NullPool

from steadyhead.config.source import EPOCH_FORMATS
from steadyhead.errors import FeedError
from steadyhead.feeds.connector import Gathering, Points
from steadyhead.feeds.polled import Polled
from steadyhead.feeds.settings import SqlSettings, read_secret

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_US = timedelta(microseconds=1)


class SqlConnector(Polled):
    """One query, asked for span after span. The session is read-only where the database has such a thing."""

    def __init__(self, name: str, settings: SqlSettings, now_s: Callable[[], float] = time.time) -> None:
        super().__init__(settings.poll_s, settings.look_back_s, now_s)
        self._name, self._settings = name, settings
        self._zone = ZoneInfo(settings.time_zone)
        self._engine: Engine | None = None
        self._raw: Any = None  # the driver's own connection

    def describe(self) -> str:
        """See ``connector.Connector``."""
        return f"SQL {make_url(self._settings.url).render_as_string(hide_password=True)}"

    def close(self) -> None:
        """See ``connector.Connector``."""
        if self._engine is not None:
            self._engine.dispose()
            self._engine = None
        raw, self._raw = self._raw, None
        if raw is not None:
            with contextlib.suppress(Exception):  # closed already, or its server is gone
                raw.close()

    def fetch(self, from_us: int, to_us: int) -> Points:
        """See ``polled.Polled``."""
        found = Gathering()
        try:
            engine = self._opened()
            with engine.connect() as connection:
                self._only_reading(connection)
                span = {"from": self._sent(from_us), "to": self._sent(to_us)}
                rows = connection.execute(text(self._settings.query), span)
                n_columns = len(rows.keys())
                if n_columns not in (3, 4):
                    raise FeedError(
                        f"{self._name}: the query gives {n_columns} columns "
                        f"({', '.join(rows.keys())}); it must give "
                        "time, tag, value and, if there is one, quality"
                    )
                for row in rows:
                    at = self._received(row[0])
                    if row[1] is not None:
                        found.add(
                            str(row[1]).strip(), at, _number(row[2]), row[3] if n_columns == 4 else None
                        )
                connection.rollback()
        except SQLAlchemyError as exc:
            self.close()
            raise self._in_words(exc) from exc
        return found.points()

    def _opened(self) -> Engine:
        if self._engine is None:
            settings = self._settings
            try:
                url = make_url(settings.url)
            except ArgumentError as exc:
                raise FeedError(
                    f"{self._name}: url cannot be read; write such as postgresql://user@host/name"
                ) from exc
            if url.drivername == "postgresql":
                url = url.set(drivername="postgresql+psycopg")
            if settings.password_file is not None:
                url = url.set(password=read_secret(settings.password_file, "password"))
            options: dict[str, Any] = {}
            if url.get_backend_name() == "postgresql":
                timeout = f"-c statement_timeout={int(settings.timeout_s * 1000)}"
                options = {"connect_timeout": max(2, int(min(settings.timeout_s, 30))), "options": timeout}
            elif url.get_backend_name() == "sqlite":
                options = {"timeout": settings.timeout_s}
            try:
                self._engine = create_engine(url, poolclass=NullPool, connect_args=options)
            except (NoSuchModuleError, ImportError) as exc:
                raise FeedError(
                    f"{self._name}: no driver for {url.drivername} is installed ({exc}); install the "
                    f"Python package of "
                    "that database beside Steadyhead"
                ) from exc
            event.listen(self._engine, "do_connect", self._remember)
        return self._engine

    def _remember(self, dialect: Any, record: Any, words: Any, named: Any) -> Any:
        """Connect and keep hold: SQLAlchemy forgets one whose server dies at its first questions."""
        del record
        self._raw = dialect.connect(*words, **named)
        return self._raw

    def _only_reading(self, connection: Any) -> None:
        if connection.dialect.name == "postgresql":
            connection.exec_driver_sql("SET TRANSACTION READ ONLY")
        elif connection.dialect.name == "sqlite":
            connection.exec_driver_sql("PRAGMA query_only=ON")

    def _sent(self, us: int) -> Any:
        form = self._settings.time_format
        if form in EPOCH_FORMATS:
            return -(-us * 1000 // EPOCH_FORMATS[form])
        at = _EPOCH + us * _US
        if form == "iso":  # as text compares: the zone of the column, without an offset
            return at.astimezone(self._zone).replace(tzinfo=None).isoformat(" ")
        return at if self._is_aware() else at.astimezone(self._zone).replace(tzinfo=None)

    def _is_aware(self) -> bool:
        return (
            self._engine is not None
            and self._engine.dialect.name == "postgresql"
            and self._settings.time_zone == "UTC"
        )

    def _received(self, at: Any) -> int:
        form = self._settings.time_format
        try:
            if form in EPOCH_FORMATS:
                return int(at * EPOCH_FORMATS[form] // 1000)
            if isinstance(at, str):
                at = datetime.fromisoformat(at.strip())
            if at.tzinfo is None:
                at = at.replace(tzinfo=self._zone)
            return int((at - _EPOCH) // _US)
        except (AttributeError, TypeError, ValueError, OverflowError) as exc:
            raise FeedError(
                f'{self._name}: the first column holds "{str(at)[:60]}", which is no time of time_format '
                f"{form}; put the time first in the query, or mend time_format"
            ) from exc

    def _in_words(self, exc: SQLAlchemyError) -> FeedError:
        said = str(getattr(exc, "orig", None) or exc).strip().splitlines()
        first = said[0][:300] if said else type(exc).__name__
        where = f"{self._name}: {self.describe()}"
        low = " ".join(said).casefold()
        if any(word in low for word in ("password", "authentication", "role ", "access denied")):
            return FeedError(f"{where} does not let us in ({first}); mend the user in url, or password_file")
        if "permission denied" in low:
            return FeedError(
                f"{where} does not let us read ({first}); give the user of url the right to SELECT"
            )
        if "operator does not exist" in low or "invalid input syntax" in low:
            return FeedError(
                f"{where}: a column is of another type than asked for ({first}); mend time_format, or CAST "
                "it in query"
            )
        if "does not exist" in low or "no such" in low or "unknown database" in low:
            return FeedError(f"{where}: {first}; mend the names in query or url")
        if isinstance(exc, OperationalError | InterfaceError):
            return FeedError(
                f"{where} cannot be reached or broke off ({first}); check host and port in url; it is "
                "tried again"
            )
        if isinstance(exc, DBAPIError):
            return FeedError(
                f"{where} does not take the query ({first}); try it in the database's own client"
            )
        return FeedError(f"{where}: {first}; mend url or query")


def _number(value: Any) -> Any:
    """Exact decimals as floats; text as it is, to be refused with a reason."""
    return (
        float(value)
        if value is not None and not isinstance(value, str | bool | int | float | bytes)
        else value
    )
