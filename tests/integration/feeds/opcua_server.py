"""An OPC UA server with history, in a process of its own.

Its words: folder, port, "open" or "secure", and what it has stored: how many rows, seconds between them, the
time of the first, how many stations.

It keeps its history in a file of its own, since the SQLite history of asyncua loses time zones, and so has it
again after a restart. Commands come on stdin.
"""

import asyncio
import bisect
import json
import os
import sys
import traceback
from datetime import UTC, datetime
from pathlib import Path

from asyncua import Server, ua
from asyncua.server.history import HistoryStorageInterface
from asyncua.server.user_managers import CertificateUserManager
from tests.integration.feeds.made_rows import rows

FOLDER, PORT, SECURE = Path(sys.argv[1]), int(sys.argv[2]), sys.argv[3] == "secure"
STORED = tuple(int(word) for word in sys.argv[4:])


def when(at_s: float) -> datetime:
    return datetime.fromtimestamp(at_s, UTC)


class History(HistoryStorageInterface):
    """Values by node, in order of time. The continuation point is the time of the next value."""

    def __init__(self, path):
        self.path = path
        self.values = {}
        if path.exists():
            for line in path.read_text().splitlines():
                self.add(*json.loads(line))

    def add(self, number, at_s, value, code):
        at = when(at_s)
        made = ua.DataValue(
            ua.Variant(value, ua.VariantType.Double), StatusCode=ua.StatusCode(code), SourceTimestamp=at,
            ServerTimestamp=at,
        )  # fmt: skip
        bisect.insort(self.values.setdefault(number, []), (at, made), key=lambda one: one[0])

    def keep(self, entries):
        for entry in entries:
            self.add(*entry)
        with self.path.open("a") as file:
            file.writelines(json.dumps(entry) + "\n" for entry in entries)

    async def read_node_history(self, node_id, start, end, nb_values):
        if node_id.Identifier not in self.values:
            raise ua.UaStatusCodeError(ua.StatusCodes.BadHistoryOperationUnsupported)
        start, end = (at if at.tzinfo else at.replace(tzinfo=UTC) for at in (start, end))
        stored = self.values.get(node_id.Identifier, [])
        first = bisect.bisect_left(stored, start, key=lambda one: one[0])
        last = bisect.bisect_right(stored, end, key=lambda one: one[0])
        found = [one for _, one in stored[first:last]]
        more = found[nb_values].SourceTimestamp if nb_values and len(found) > nb_values else None
        return found[:nb_values] if nb_values else found, more

    async def init(self): ...
    async def stop(self): ...
    async def new_historized_node(self, node_id, period, count=0): ...
    async def save_node_value(self, node_id, datavalue): ...
    async def new_historized_event(self, source_id, evtypes, period, count=0): ...
    async def save_event(self, event): ...
    async def read_event_history(self, source_id, start, end, nb_values, evfilter): ...


async def main() -> None:
    users = None
    if SECURE:
        users = CertificateUserManager()
        await users.add_user(str(FOLDER / "client.der"), name="reader")
    server = Server(user_manager=users)
    await server.init()
    server.set_endpoint(f"opc.tcp://127.0.0.1:{PORT}/plant")
    if SECURE:
        await server.load_certificate(str(FOLDER / "server.der"))
        await server.load_private_key(str(FOLDER / "server.pem"))
        await server.set_application_uri("urn:plant:server")
        server.set_security_policy([ua.SecurityPolicyType.Basic256Sha256_SignAndEncrypt])
    else:
        server.set_security_policy([ua.SecurityPolicyType.NoSecurity])
    is_new = not (FOLDER / "history").exists()
    history = History(FOLDER / "history")
    server.iserver.history_manager.set_storage(history)
    space = await server.register_namespace("urn:plant")
    plant = await server.nodes.objects.add_folder(ua.NodeId(1, space), f"{space}:plant")
    nodes, numbers = {}, {}
    for number, tag in enumerate(dict.fromkeys(tag for _, tag, _ in rows(1)), 100):
        node = await plant.add_variable(
            ua.NodeId(number, space), f"{space}:{tag}", 0.0, ua.VariantType.Double
        )
        nodes[tag], numbers[tag] = node, number
        waiting = ua.StatusCode(ua.StatusCodes.BadWaitingForInitialData)
        await node.write_value(
            ua.DataValue(ua.Variant(0.0), StatusCode=waiting, SourceTimestamp=datetime.now(UTC))
        )
    await plant.add_variable(ua.NodeId(99, space), f"{space}:no history", 0.0, ua.VariantType.Double)
    for node in nodes.values():
        await node.set_attr_bit(ua.AttributeIds.AccessLevel, ua.AccessLevel.HistoryRead)
        await node.set_attr_bit(ua.AttributeIds.UserAccessLevel, ua.AccessLevel.HistoryRead)
    for number in numbers.values():
        history.values.setdefault(number, [])
    if is_new:
        history.keep([(numbers[tag], at_s, number, 0) for at_s, tag, number in rows(*STORED)])
    async with server:
        sys.stdout.write("ready\n")
        sys.stdout.flush()
        while line := await asyncio.get_running_loop().run_in_executor(None, sys.stdin.readline):
            for tag, at_s, number, code in json.loads(line):
                value = ua.DataValue(
                    ua.Variant(number, ua.VariantType.Double), StatusCode=ua.StatusCode(code),
                    SourceTimestamp=when(at_s), ServerTimestamp=when(at_s),
                )  # fmt: skip
                history.keep([(numbers[tag], at_s, number, code)])
                await nodes[tag].write_value(value)
            sys.stdout.write("done\n")
            sys.stdout.flush()


try:
    asyncio.run(main())
except Exception:
    traceback.print_exc()
    sys.stderr.flush()
    os._exit(1)  # the history's thread would keep the process
