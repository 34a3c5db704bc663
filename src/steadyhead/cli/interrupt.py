"""Ctrl-C: the command stops at once and says so in one line, wherever it was."""

from __future__ import annotations

import atexit
import contextlib
import signal
import sys
import threading
from _thread import interrupt_main
from collections.abc import Iterator
from types import FrameType


class Interrupted(Exception):  # noqa: N818  not an error
    """The person at the keyboard stopped the command."""


@contextlib.contextmanager
def stoppable() -> Iterator[None]:
    """Raise ``Interrupted`` after Ctrl-C, whatever the libraries below make of it.

    Compiled code may lose a KeyboardInterrupt: Python prints one that lands in a callback and forgets it, and
    a compiler torn out of its work fails with an error of its own. So the first Ctrl-C is noted here; if it
    is lost it is raised once more, and whatever comes up after it is taken for it. Further ones are ignored,
    so that files in the making are cleared away undisturbed.
    """
    if threading.current_thread() is not threading.main_thread():
        yield  # only the main thread is told of signals
        return
    was_stopped = False
    lost_before, handler_before = sys.unraisablehook, signal.getsignal(signal.SIGINT)

    def stop(_signal: int, _frame: FrameType | None) -> None:
        nonlocal was_stopped
        if not was_stopped:
            was_stopped = True
            raise KeyboardInterrupt

    def once_more() -> None:
        nonlocal was_stopped
        was_stopped = False
        interrupt_main()

    def again(lost: sys.UnraisableHookArgs) -> None:
        if isinstance(lost.exc_value, KeyboardInterrupt):
            # a moment later, for what is raised in here is lost as well
            later = threading.Timer(0.05, once_more)
            later.daemon = True
            later.start()
        elif not was_stopped:
            lost_before(lost)

    sys.unraisablehook = again
    signal.signal(signal.SIGINT, stop)
    atexit.register(signal.signal, signal.SIGINT, signal.SIG_IGN)  # while Python clears up, all is done
    try:
        yield
    except (Exception, KeyboardInterrupt) as exc:
        if was_stopped or isinstance(exc, KeyboardInterrupt):
            raise Interrupted from None
        raise
    finally:
        sys.unraisablehook = lost_before
        if not was_stopped:
            signal.signal(signal.SIGINT, handler_before)
