"""An end to conversations that trickle on: a socket's own time-out starts anew at every byte."""

from __future__ import annotations

import contextlib
import socket
import threading


class Deadline:
    """Shuts the watched socket once the time is over; use it in a ``with``.

    seconds : from entering the ``with``
    """

    def __init__(self, seconds: float) -> None:
        self.is_over = False
        self._lock = threading.Lock()
        self._socket: socket.socket | None = None
        self._timer = threading.Timer(seconds, self._end)
        self._timer.daemon = True

    def watch(self, connected: socket.socket | None) -> None:
        """The socket to shut; a later one takes the place of an earlier one."""
        with self._lock:
            self._socket = connected
            if self.is_over:
                _shut(connected)

    def __enter__(self) -> Deadline:
        self._timer.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._timer.cancel()
        with self._lock:
            self._socket = None

    def _end(self) -> None:
        with self._lock:
            self.is_over = True
            _shut(self._socket)


def _shut(connected: socket.socket | None) -> None:
    if connected is not None:
        with contextlib.suppress(OSError):  # gone already
            # Of the base class: the one of encrypted sockets forgets the encryption under the reader's feet.
            socket.socket.shutdown(connected, socket.SHUT_RDWR)
