"""Alerts as condition nodes and events of OPC UA Part 9, from a server of our own, by asyncua.

Others connect to us and read: they can subscribe, browse and refresh, and nothing of theirs is taken in. Who
acknowledges must be known to the alert desk, so it is done there and told here.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
from datetime import UTC, datetime
from typing import Any

from asyncua import ua
from asyncua.common.event_objects import AlarmCondition
from asyncua.common.instantiate_util import instantiate
from asyncua.server.event_generator import EventGenerator
from asyncua.server.server import Server
from asyncua.ua.object_ids import ObjectIds

from steadyhead.errors import FeedError
from steadyhead.outward.conditions import ConditionState, changed_conditions
from steadyhead.outward.opcua_door import made_server, refuse
from steadyhead.outward.settings import OpcUaOut
from steadyhead.outward.telling import EARLIEST, LOOK_S, Telling

NAMESPACE = "urn:steadyhead:alerts"


def serve(settings: OpcUaOut, telling: Telling) -> None:
    """Serve the conditions until it is over. Raises FeedError; begin again then."""
    logging.getLogger("asyncua").setLevel(logging.CRITICAL)  # it tells of every client that is refused
    asyncio.run(_serve(settings, telling))


async def _serve(settings: OpcUaOut, telling: Telling) -> None:
    where = f"alerts_out: OPC UA server on {settings.host}:{settings.port}"
    server = await made_server(settings, where)
    book = _Book(server, telling)
    await book.lay_out()
    try:
        await server.start()
    except OSError as exc:
        raise FeedError(
            f"{where} cannot listen ({exc.strerror or exc}); choose another host or port, or end what "
            "listens there; it is tried again"
        ) from exc
    try:
        after_no = EARLIEST
        while not telling.stop.is_set():
            states, after_no = await asyncio.to_thread(_look, telling, after_no)
            for state in states:
                await book.tell(state)
            telling.is_well()
            await asyncio.to_thread(telling.stop.wait, LOOK_S)
    finally:
        with contextlib.suppress(Exception):  # clients may have gone in the middle of something
            await server.stop()


def _look(telling: Telling, after_no: int) -> tuple[list[ConditionState], int]:
    with telling.database.reading() as session:
        return changed_conditions(session, after_no, telling.title_of)


class _Book:
    """The nodes of stations and conditions, and what was told of each."""

    def __init__(self, server: Server, telling: Telling) -> None:
        self._server, self._telling = server, telling
        self._space = 0
        self._stations: dict[str, Any] = {}
        self._nodes: dict[tuple[str, str], dict[str, Any]] = {}
        self._told: dict[tuple[str, str], ConditionState] = {}

    async def lay_out(self) -> None:
        """A node for each station; those of conditions come with their first alert."""
        self._space = await self._server.register_namespace(NAMESPACE)
        folder = await self._server.nodes.objects.add_folder(self._id("stations"), f"{self._space}:stations")
        for station in self._telling.stations:
            node = await folder.add_object(self._id(f"stations.{station}"), f"{self._space}:{station}")
            await self._server.nodes.server.add_reference(node, ObjectIds.HasEventSource)
            self._stations[station] = node

    async def tell(self, state: ConditionState) -> None:
        """Bring the node up to date and send an event, if anything of it is new."""
        key = (state.station, state.condition)
        if state.station not in self._stations or self._told.get(key) == state:
            return
        if key not in self._nodes:
            self._nodes[key] = await self._add(state)
        nodes, before = self._nodes[key], self._told.get(key)
        event = _event(state, before, self._id(".".join(key)), self._stations[state.station].nodeid)
        generator = EventGenerator(self._server.iserver.isession)
        await generator.init(event, add_generates_event=False)
        await generator.trigger(time_attr=_at(state.at_s), message=state.message)
        for name, node in nodes.items():
            value = getattr(event, name, None)
            if value is not None:
                await node.write_value(ua.DataValue(ua.Variant(value, event.data_types[name])))
        self._told[key] = state

    async def _add(self, state: ConditionState) -> dict[str, Any]:
        """A condition node below its station; its variables by their names in events."""
        station, name = self._stations[state.station], f"{state.station}.{state.condition}"
        kind = self._server.get_node(ObjectIds.AlarmConditionType)
        made = await instantiate(
            station, kind, self._id(name), f"{self._space}:{state.condition}", instantiate_optional=False
        )
        await station.add_reference(made[0], ObjectIds.HasCondition)
        found = {}
        for node in made[1:]:
            kind_of_node = await node.read_node_class()
            if kind_of_node == ua.NodeClass.Variable:
                found[str(node.nodeid.Identifier)[len(name) + 1 :].replace(".", "/")] = node
            elif kind_of_node == ua.NodeClass.Method:
                self._server.link_method(node, refuse)
        return found

    def _id(self, name: str) -> ua.NodeId:
        return ua.NodeId(ua.String(name), ua.Int16(self._space))


def _event(
    state: ConditionState, before: ConditionState | None, condition: ua.NodeId, source: ua.NodeId
) -> Any:
    """The event of a state, with the fields of AlarmConditionType."""
    event: Any = AlarmCondition()  # type: ignore[no-untyped-call]
    event.SourceNode, event.SourceName = source, state.station
    event.add_property("NodeId", condition, ua.VariantType.NodeId)
    event.Severity = state.severity
    event.ConditionName, event.BranchId, event.Retain = state.condition, ua.NodeId(), state.is_retained
    event.ConditionClassId = ua.NodeId(ua.Int32(ObjectIds.MaintenanceConditionClassType))
    event.ConditionClassName = ua.LocalizedText("MaintenanceConditionClassType")
    event.Quality, event.Comment, event.ClientUserId = ua.StatusCode(), ua.LocalizedText(""), ""
    event.LastSeverity = state.severity if before is None else before.severity
    event.SuppressedOrShelved, event.InputNode = state.held is not None, ua.NodeId()
    _two(event, "EnabledState", True, "Enabled", "Disabled")
    _two(event, "ActiveState", state.is_active, "Active", "Inactive", state.active_since_s)
    _two(event, "AckedState", state.is_acked, "Acknowledged", "Unacknowledged", state.acked_since_s)
    _two(event, "SuppressedState", state.held == "suppressed_by_design", "Suppressed", "Unsuppressed")
    _two(event, "OutOfServiceState", state.held == "out_of_service", "Out of service", "In service")
    return event


def _two(event: Any, name: str, is_so: bool, yes: str, no: str, since_s: int | None = None) -> None:
    """Set a state that is one of two: its name, its Id and, if known, the time of its last change."""
    setattr(event, name, ua.LocalizedText(yes if is_so else no))
    setattr(event, f"{name}/Id", is_so)
    if since_s is not None:
        event.add_property(f"{name}/TransitionTime", _at(since_s), ua.VariantType.DateTime)


def _at(at_s: int) -> datetime:
    return datetime.fromtimestamp(at_s, UTC)
