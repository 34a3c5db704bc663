"""Alerts as conditions of OPC UA Part 9, seen by a real client, asyncua's."""

import asyncio
import contextlib
import socket
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime

import pytest
from asyncua import Client, ua

from steadyhead.diagnosis.causes import load_knowledge
from steadyhead.errors import RegistryError
from steadyhead.live.settings import load_settings
from steadyhead.outward.opcua_door import _POLICIES

from .alerts_bench import RAISED_S, verdict
from .certificates import certificate
from .conftest import free_port
from .feed_bench import until


@pytest.fixture(autouse=True)
def _quick_tries(monkeypatch):
    monkeypatch.setattr("steadyhead.feeds.connector.BackOff.next_s", lambda self: 0.3)


def apart(work, *words):
    """Run a coroutine in a thread: a browser that other tests left open keeps a loop running in this one."""
    with ThreadPoolExecutor(1) as pool:
        return pool.submit(lambda: asyncio.run(work(*words))).result()


TITLE = f"elm: {load_knowledge().entries['drift'].title}"
ALARM = ua.ObjectIds.AlarmConditionType


class Heard:
    """What a subscription calls."""

    def __init__(self):
        self.events = []

    def event_notification(self, event):
        self.events.append(event)

    def of(self, name):
        return [event for event in self.events if getattr(event, "ConditionName", None) == name]

    async def wait(self, is_so, seconds=20.0):
        async with asyncio.timeout(seconds):
            while not is_so():
                await asyncio.sleep(0.05)


def state(event):
    """Active, acknowledged, retained."""
    return getattr(event, "ActiveState/Id"), getattr(event, "AckedState/Id"), event.Retain


async def refresh(client, subscription):
    condition_type = client.get_node(ua.ObjectIds.ConditionType)
    await condition_type.call_method(
        "0:ConditionRefresh", ua.Variant(subscription.subscription_id, ua.VariantType.UInt32)
    )


def client_of(port):
    return Client(f"opc.tcp://127.0.0.1:{port}/steadyhead", timeout=20)


def listens(port):
    with socket.socket() as tried:
        return tried.connect_ex(("127.0.0.1", port)) == 0


def test_a_client_sees_an_alert_come_be_acknowledged_and_end_and_asks_what_stands(room):
    port = free_port()
    running = room(opcua={"port": port})
    until(lambda: listens(port))

    async def watch():
        heard, late = Heard(), Heard()
        async with client_of(port) as client:
            subscription = await client.create_subscription(50, heard)
            await subscription.subscribe_alarms_and_conditions(evtypes=ALARM)
            alert = running.desk.raised(verdict("elm"))
            await heard.wait(lambda: len(heard.of("drift")) == 1)
            first = heard.of("drift")[0]
            assert state(first) == (True, False, True)
            assert first.Severity == 500
            assert first.SourceName == "elm"
            assert first.Message.Text == TITLE
            assert first.EventType == ua.NodeId(ua.ObjectIds.AlarmConditionType)
            assert first.Time == datetime.fromtimestamp(RAISED_S, UTC)
            assert getattr(first, "ActiveState/TransitionTime") == datetime.fromtimestamp(RAISED_S, UTC)
            assert first.SuppressedOrShelved is False

            # somebody who comes later asks what stands, and gets it between the two marks of Part 9
            again = await client.create_subscription(50, late)
            await again.subscribe_alarms_and_conditions(evtypes=ALARM)
            await refresh(client, again)
            await late.wait(lambda: len(late.of("drift")) == 1)
            assert late.of("drift")[0].EventId == first.EventId
            await again.delete()

            running.desk.acknowledge(alert.alert_id, "kari", "seen")
            await heard.wait(lambda: len(heard.of("drift")) == 2)
            assert state(heard.of("drift")[1]) == (True, True, True)
            running.desk.cleared(alert.alert_id, RAISED_S + 1800)
            await heard.wait(lambda: len(heard.of("drift")) == 3)
            last = heard.of("drift")[2]
            assert state(last) == (False, True, False)
            assert last.Time >= datetime.fromtimestamp(RAISED_S + 1800, UTC)
            assert len({event.EventId for event in heard.of("drift")}) == 3

            # now nothing stands, and a refresh says so
            emptied = Heard()
            third = await client.create_subscription(50, emptied)
            await third.subscribe_events(
                ua.ObjectIds.Server, [ua.ObjectIds.RefreshStartEventType, ua.ObjectIds.RefreshEndEventType]
            )
            await refresh(client, third)
            await emptied.wait(lambda: len(emptied.events) == 2)
            kinds = [event.EventType.Identifier for event in emptied.events]
            assert kinds == [ua.ObjectIds.RefreshStartEventType, ua.ObjectIds.RefreshEndEventType]

    apart(watch)
    assert running.outward.errors == {}


def test_condition_nodes_hold_what_was_told_and_outlive_a_restart(room, tmp_path):
    port = free_port()
    running = room(opcua={"port": port})
    alert = running.desk.raised(verdict("elm"))
    running.desk.raised(verdict("oak", "hunting"))
    running.desk.shelve(alert.alert_id, "kari", "known", RAISED_S + 100 * 3600)

    async def browse():
        async with client_of(port) as client:
            space = await client.get_namespace_index("urn:steadyhead:alerts")
            node = client.get_node(ua.NodeId("elm.drift", space))
            found = {}
            async with asyncio.timeout(20):
                while len(found) < 8:
                    with contextlib.suppress(ua.UaStatusCodeError):
                        for name in ("EnabledState", "ActiveState", "AckedState", "Retain", "Severity",
                                     "SuppressedOrShelved", "ConditionName", "Message"):  # fmt: skip
                            value = await (await node.get_child(f"0:{name}")).read_value()
                            found[name] = getattr(value, "Text", value)
                    await asyncio.sleep(0.05)
            kind = (await node.read_type_definition()).Identifier
            sources = await client.nodes.server.get_referenced_nodes(ua.ObjectIds.HasEventSource)
            names = [(await one.read_browse_name()).Name for one in sources]
            return found, kind, names

    until(lambda: listens(port))
    for _ in range(2):
        found, kind, names = apart(browse)
        assert found == {
            "EnabledState": "Enabled", "ActiveState": "Active", "AckedState": "Unacknowledged",
            "Retain": True, "Severity": 500, "SuppressedOrShelved": True, "ConditionName": "drift",
            "Message": TITLE,
        }  # fmt: skip
        assert kind == ua.ObjectIds.AlarmConditionType
        assert names == ["elm", "oak"]
        running.stop()
        running = room(opcua={"port": port})
        until(lambda: listens(port))


def test_a_client_can_write_nothing_and_acknowledge_nothing(room):
    port = free_port()
    running = room(opcua={"port": port})
    alert = running.desk.raised(verdict("elm"))
    until(lambda: listens(port))

    async def meddle(user):
        heard, refused = Heard(), []
        client = client_of(port)
        if user is not None:
            client.set_user(user)
        try:
            await client.connect()
        except ua.UaStatusCodeError as exc:
            return [exc]
        try:
            subscription = await client.create_subscription(50, heard)
            await subscription.subscribe_alarms_and_conditions(evtypes=ALARM)
            await refresh(client, subscription)
            await heard.wait(lambda: len(heard.of("drift")) >= 1)
            event = heard.of("drift")[0]
            space = await client.get_namespace_index("urn:steadyhead:alerts")
            node = client.get_node(ua.NodeId("elm.drift", space))
            kind = client.get_node(ua.ObjectIds.AcknowledgeableConditionType)
            text = ua.Variant(ua.LocalizedText("mine"), ua.VariantType.LocalizedText)
            tried = (
                lambda: (client.get_node("i=2994")).write_value(True),  # Auditing of the server
                lambda: client.nodes.objects.add_folder(space, "mine"),
                lambda: node.call_method("0:Acknowledge", event.EventId, text),
                lambda: node.call_method("0:AddComment", event.EventId, text),
                lambda: node.call_method("0:Disable"),
                lambda: node.call_method(kind.nodeid, event.EventId, text),
                lambda: node.delete(),
            )
            for act in tried:
                with pytest.raises(ua.UaStatusCodeError) as met:
                    await act()
                refused.append(met.value)
            severity = await node.get_child("0:Severity")
            with pytest.raises(ua.uaerrors.BadUserAccessDenied):
                await severity.write_value(ua.DataValue(ua.Variant(1, ua.VariantType.UInt16)))
            assert await severity.read_value() == 500
            return refused
        finally:
            await client.disconnect()

    assert len(apart(meddle, None)) == 7
    # a name that means more elsewhere means nothing here: only anonymous readers are offered
    assert [type(exc).__name__ for exc in apart(meddle, "admin")] == ["BadIdentityTokenRejected"]
    assert running.desk.alert(alert.alert_id).alert.state == "active_unacknowledged"


def test_only_known_certificates_and_the_password_are_let_in(room, tmp_path):
    folder, clients = tmp_path / "keys", tmp_path / "clients"
    folder.mkdir()
    clients.mkdir()
    (tmp_path / "password").write_text("right\n")
    certificate(folder, "ours", "urn:steadyhead:server")
    certificate(folder, "known", "urn:scada:client")
    certificate(folder, "stranger", "urn:scada:client")
    (clients / "scada.der").write_bytes((folder / "known.der").read_bytes())
    port = free_port()
    running = room(opcua={
        "port": port, "security": "Basic256Sha256", "certificate_file": folder / "ours.der",
        "key_file": folder / "ours.pem", "clients_folder": clients, "username": "scada",
        "password_file": tmp_path / "password",
    })  # fmt: skip
    until(lambda: listens(port))
    assert set(_POLICIES) == {"none", "Basic256Sha256", "Aes128Sha256RsaOaep", "Aes256Sha256RsaPss"}

    async def read(name, password):
        client = client_of(port)
        client.application_uri = "urn:scada:client"
        if name is not None:
            await client.set_security_string(
                f"Basic256Sha256,SignAndEncrypt,{folder / name}.der,{folder / name}.pem"
            )
        if password is not None:
            client.set_user("scada")
            client.set_password(password)
        async with client:
            return await client.get_namespace_index("urn:steadyhead:alerts")

    assert apart(read, "known", "right") >= 2
    for name, password in (("known", "wrong"), ("known", None), ("stranger", "right"), (None, "right")):
        with pytest.raises((ua.UaError, ConnectionError, TimeoutError)):
            apart(read, name, password)
    assert running.outward.errors == {}


def test_what_cannot_be_served_is_said(room, tmp_path):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        running = room(opcua={"port": taken.getsockname()[1]})
        until(lambda: "opcua" in running.outward.errors)
        assert "cannot listen" in running.outward.errors["opcua"]
        assert "it is tried again" in running.outward.errors["opcua"]
    until(lambda: running.outward.errors == {})
    running.stop()
    (tmp_path / "clients").mkdir()
    certificate(tmp_path, "ours", "urn:steadyhead:server")
    files = {"certificate_file": tmp_path / "none.der", "key_file": tmp_path / "ours.pem"}
    safe = {"port": free_port(), "security": "Basic256Sha256", "clients_folder": tmp_path / "clients"}
    running = room(opcua={**safe, **files})
    until(lambda: "holds no certificate" in running.outward.errors.get("opcua", ""))
    (tmp_path / "clients" / "one.pem").write_text("rubbish")
    until(lambda: "one.pem is no certificate" in running.outward.errors.get("opcua", ""))
    (tmp_path / "clients" / "one.pem").unlink()
    (tmp_path / "clients" / "one.der").write_bytes((tmp_path / "ours.der").read_bytes())
    until(lambda: "mend certificate_file or key_file" in running.outward.errors.get("opcua", ""))


@pytest.mark.parametrize(
    ("block", "said"),
    [
        ("security: Basic256Sha256", "needs certificate_file, key_file and clients_folder"),
        ("{username: x, password_file: y}", "would send its password in the clear"),
    ],
)
def test_settings_that_would_let_in_too_many_are_refused(tmp_path, block, said):
    lines = block if block.startswith("{") else f"\n    {block}"
    (tmp_path / "service.yaml").write_text(f"alerts_out:\n  opcua: {lines}\n")
    with pytest.raises(RegistryError, match=said):
        load_settings(tmp_path / "service.yaml")
