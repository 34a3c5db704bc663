"""A process of its own that raises alerts and sends, so that a test can kill it.

Run as ``python -m notify.worker DATABASE_URL HOOK_URL WHAT`` in tests/integration.
"""

import os
import signal
import sys
import time

from steadyhead.desk.desk import Desk
from steadyhead.notify.plan import Plan
from steadyhead.notify.sender import Sender
from steadyhead.notify.settings import NotifySettings
from steadyhead.store.database import open_database

from .messages import KNOWLEDGE, REGISTRY, verdict


def settings(hook_url: str) -> NotifySettings:
    return NotifySettings.model_validate(
        {"web_hooks": {"desk": {"url": hook_url, "timeout_s": 2}}, "rules": [{"channels": "desk"}]}
    )


def main() -> None:
    database_url, hook_url, what = sys.argv[1:]
    database = open_database(database_url)
    chosen = settings(hook_url)
    plan = Plan(chosen, REGISTRY, KNOWLEDGE, time.time)
    now_s = int(time.time())

    def die_inside(session, change):
        session.flush()  # the message is written, the transaction is open
        os.kill(os.getpid(), signal.SIGKILL)

    hooks = (plan.hook, die_inside) if what == "die_inside" else (plan.hook,)
    Desk(database, KNOWLEDGE, REGISTRY, time.time, hooks).raised(verdict("elm", raised_s=now_s - 60))
    if what == "die_after_commit":
        os.kill(os.getpid(), signal.SIGKILL)
    sender = Sender(chosen, database, look_every_s=0.05)
    sender.start()
    time.sleep(60)  # the test kills it before


if __name__ == "__main__":
    main()
