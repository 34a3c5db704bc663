"""A report made in a process of its own, of low priority, so that judging and pages go on meanwhile.

    python -m steadyhead.weekly.apart

reads what to make from its standard input, says on its standard output how far it is, a JSON object a line,
and in the last one what came of it. It ends by itself when its input closes, which it does when the
service ends, however that comes.
"""

from __future__ import annotations

import json
import os
import pickle
import signal
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from steadyhead import errors
from steadyhead.config.model import Registry
from steadyhead.errors import SteadyheadError
from steadyhead.weekly.material import Progress
from steadyhead.weekly.opening import DataPlace, open_data
from steadyhead.weekly.settings import ReportSettings
from steadyhead.weekly.week import Week
from steadyhead.weekly.write import make_report

NICE = 15  # of 19; what judges and serves goes first wherever both want the processor
ONE_CORE = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")
LEAVE_S = 5.0  # that a process has to clear away what it had begun
TOLD_CHARS = 4000  # of what a process that failed has said last


@dataclass(frozen=True, slots=True)
class Order:
    """What to make. folder : that of the week; made_s : the time stamp"""

    place: DataPlace
    registry: Registry
    settings: ReportSettings
    week: Week
    folder: Path
    pages_for: tuple[str, ...]
    made_s: int


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of it. left_out : a line for each station that could not be read"""

    is_complete: bool
    left_out: tuple[str, ...]


class CrashedError(Exception):
    """The process ended without a word; the text is what it said last."""


def make_apart(
    order: Order, progress: Progress, on_start: Callable[[subprocess.Popen[bytes]], None]
) -> Outcome:
    """Make the report in another process and wait for it.

    on_start : is given the process, so that it can be ended with ``end``
    Raises what ``make_report`` and ``open_data`` raise, CrashedError if the process did not end well.
    """
    with tempfile.TemporaryFile() as said:
        process = subprocess.Popen(
            [sys.executable, "-m", "steadyhead.weekly.apart"],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=said, env={**os.environ, **ONE_CORE},
        )  # fmt: skip
        assert process.stdin is not None
        assert process.stdout is not None
        try:
            on_start(process)
            with suppress(BrokenPipeError, ValueError):  # it is ended already
                pickle.dump(order, process.stdin)
                process.stdin.flush()
            last = _listen(process.stdout, progress)
        finally:
            end(process)
            process.stdout.close()
        if last is None:
            said.seek(0)
            raise CrashedError(said.read().decode(errors="replace")[-TOLD_CHARS:].strip() or "no word of why")
    if "error" in last:
        raise _error(last)
    return Outcome(bool(last["is_complete"]), tuple(last["left_out"]))


def end(process: subprocess.Popen[bytes]) -> None:
    """See that the process is over; one that is at work clears away what it had begun."""
    with suppress(OSError):
        if process.stdin is not None:
            process.stdin.close()
    try:
        process.wait(LEAVE_S)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()


def _listen(stream: IO[bytes], progress: Progress) -> dict[str, Any] | None:
    """Pass on how far it is; the last word, or None if there was none."""
    for line in stream:
        told = json.loads(line)
        if "what" not in told:
            return dict(told)
        progress(told["what"], told["done"], told["total"])
    return None


def _error(told: dict[str, Any]) -> SteadyheadError:
    kind = getattr(errors, told["error"], SteadyheadError)
    return kind(told["text"]) if issubclass(kind, SteadyheadError) else SteadyheadError(told["text"])


# ------------------------------------------------------------------ in the other process


def main() -> None:
    """Make what standard input asks for."""
    os.nice(NICE)
    # where the service was started in the background of a shell, interrupts are ignored, by its children too
    signal.signal(signal.SIGINT, signal.default_int_handler)
    out = os.fdopen(os.dup(sys.stdout.fileno()), "wb", buffering=0)
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())  # what a library prints is no word of ours
    order: Order = pickle.load(sys.stdin.buffer)  # noqa: S301 from the service that started this process
    threading.Thread(target=_watch, daemon=True).start()

    def say(**told: Any) -> None:
        out.write(json.dumps(told).encode() + b"\n")

    def on_progress(what: str, done: int, total: int) -> None:
        say(what=what, done=done, total=total)

    try:
        with open_data(order.place, order.registry, ()) as source:
            written = make_report(
                source, order.week, order.folder, order.settings, pages_for=order.pages_for,
                progress=on_progress, made_s=order.made_s,
            )  # fmt: skip
        fleet = written.fleet
        say(is_complete=fleet.is_complete, left_out=list(fleet.left_out.values()))
    except SteadyheadError as exc:
        say(error=type(exc).__name__, text=str(exc))
    except KeyboardInterrupt:
        sys.exit(130)


def _watch() -> None:
    """End when whoever asked is gone."""
    import _thread

    while os.read(sys.stdin.fileno(), 1024):
        pass
    _thread.interrupt_main()
    threading.Event().wait(LEAVE_S)
    os._exit(1)


if __name__ == "__main__":
    # the class that was sent is that of the module under its own name
    from steadyhead.weekly import apart

    apart.main()
