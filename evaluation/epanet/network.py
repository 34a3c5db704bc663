"""Published networks with a PRV put in, solved by EPANET over a grid of setting, demand and supply."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import networkx as nx
import numpy as np
import wntr
from wntr.epanet.toolkit import ENepanet

from steadyhead.types import FloatArray

KPA_PER_M = 9.80665
NETWORKS = ("Net1", "Net2", "Net3", "ky4", "ky10")
LIBRARY = Path(str(wntr.__file__)).parent / "library" / "networks"
MULTIPLIERS = np.array([0.0, 0.03, 0.1, 0.2, 0.35, 0.5, 0.7, 0.9, 1.15, 1.5, 2.0, 2.8])
EN_BASEDEMAND, EN_ELEVATION, EN_SETTING, EN_PRESSURE, EN_FLOW = 1, 0, 5, 11, 8


@dataclass(frozen=True, slots=True)
class Site:
    """A place for a PRV: the pipe that alone feeds a part of a network, and that part's nodes."""

    network: str
    pipe: str
    upstream: str
    downstream: str
    fed: tuple[str, ...]
    demand_lps: float


@dataclass(frozen=True, slots=True)
class Table:
    """Inlet, outlet [kPa] and flow [L/s] over setting [kPa], demand multiplier and supply [kPa]."""

    settings_kpa: FloatArray
    supply_kpa: FloatArray
    inlet_kpa: FloatArray
    outlet_kpa: FloatArray
    flow_lps: FloatArray


@cache
def sites() -> tuple[Site, ...]:
    """All places in all networks where one pipe feeds 3 to 400 nodes that draw 0.5 to 80 L/s together."""
    found = []
    for name in NETWORKS:
        wn = wntr.network.WaterNetworkModel(str(LIBRARY / f"{name}.inp"))
        graph = nx.Graph()
        graph.add_edges_from((link.start_node_name, link.end_node_name) for _, link in wn.links())
        draws = {
            n: sum(1000.0 * d.base_value for d in wn.get_node(n).demand_timeseries_list if d.base_value > 0)
            for n in wn.junction_name_list
        }
        sources = {*wn.reservoir_name_list, *wn.tank_name_list}
        bridges = {frozenset(edge) for edge in nx.bridges(graph)}
        for pipe_name, pipe in wn.pipes():
            ends = pipe.start_node_name, pipe.end_node_name
            if frozenset(ends) not in bridges:
                continue
            graph.remove_edge(*ends)
            for up, down in (ends, ends[::-1]):
                part = nx.node_connected_component(graph, down)
                demand = sum(draws.get(n, 0.0) for n in part)
                if not part & sources and 3 <= len(part) <= 400 and 0.5 <= demand <= 80.0:
                    found.append(Site(name, pipe_name, up, down, tuple(sorted(part)), demand))
            graph.add_edge(*ends)
    return tuple(found)


def solved(site: Site, set_kpa: float, over_kpa: float, size_factor: float) -> Table:
    """The table of a station that holds ``set_kpa``, with about ``over_kpa`` more at its inlet.

    size_factor : diameter of the supply's pipes against the model's; small gives an inlet that moves with
    flow
    """
    wn = wntr.network.WaterNetworkModel(str(LIBRARY / f"{site.network}.inp"))
    pipe = wn.get_link(site.pipe)
    length, diameter, rough = pipe.length, max(pipe.diameter, 0.1), pipe.roughness
    level_m = wn.get_node(site.downstream).elevation
    for name in list(wn.control_name_list):
        wn.remove_control(name)
    for name in list(wn.source_name_list):
        wn.remove_source(name)
    fed = set(site.fed)
    for name in list(wn.link_name_list):
        link = wn.get_link(name)
        if (link.start_node_name not in fed and link.end_node_name not in fed) or name == site.pipe:
            wn.remove_link(name)
    for name in list(wn.node_name_list):
        if name not in fed:
            wn.remove_node(name)
    for name in fed:
        wn.get_node(name).elevation = min(wn.get_node(name).elevation, level_m + 0.6 * set_kpa / KPA_PER_M)
    # the rest of the network is one source behind a main as long as the way to it
    wn.add_reservoir("supply", base_head=level_m + (set_kpa + over_kpa) / KPA_PER_M)
    wn.add_junction("inlet", base_demand=0.0, elevation=level_m)
    wn.add_junction("outlet", base_demand=0.0, elevation=level_m)
    wn.add_pipe("main", "supply", "inlet", 400.0 + length, diameter * size_factor, rough)
    wn.add_valve("prv", "inlet", "outlet", diameter, "PRV", 5.0, set_kpa / KPA_PER_M)
    wn.add_pipe("after", "outlet", site.downstream, max(length, 20.0), diameter, rough)
    wn.options.report = wntr.network.options.ReportOptions()  # it names what was cut away
    wn.options.energy = wntr.network.options.EnergyOptions()
    wn.options.quality = wntr.network.options.QualityOptions()
    wn.options.hydraulic.demand_model = "PDA"
    wn.options.hydraulic.required_pressure = 0.35 * set_kpa / KPA_PER_M
    wn.options.hydraulic.inpfile_units = "LPS"
    wn.options.time.duration = 0
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "station.inp"
        wntr.network.write_inpfile(wn, str(path), units="LPS")
        return _walked(path, site, set_kpa, over_kpa, level_m)


def _walked(path: Path, site: Site, set_kpa: float, over_kpa: float, level_m: float) -> Table:
    settings_kpa = np.concatenate(
        [[2.0], np.linspace(0.25, 1.0, 7) * set_kpa, set_kpa + np.linspace(0.05, 1.25, 9) * over_kpa]
    )
    supply_kpa = set_kpa + over_kpa * np.array([-0.6, -0.1, 0.2, 0.5, 0.8, 1.0, 1.3])
    shape = len(settings_kpa), len(MULTIPLIERS), len(supply_kpa)
    inlet, outlet, flow = np.empty(shape), np.empty(shape), np.empty(shape)
    en = ENepanet(version=2.2)
    en.ENopen(str(path), str(path.with_suffix(".rpt")), str(path.with_suffix(".bin")))
    nodes = [en.ENgetnodeindex(name) for name in site.fed]
    base = [en.ENgetnodevalue(n, EN_BASEDEMAND) for n in nodes]
    supply, valve = en.ENgetnodeindex("supply"), en.ENgetlinkindex("prv")
    at_inlet, at_outlet = en.ENgetnodeindex("inlet"), en.ENgetnodeindex("outlet")
    en.ENopenH()
    for j, m in enumerate(MULTIPLIERS):
        for n, b in zip(nodes, base, strict=True):
            en.ENsetnodevalue(n, EN_BASEDEMAND, max(b, 0.0) * max(m, 1e-4))
        for k, head in enumerate(supply_kpa):
            en.ENsetnodevalue(supply, EN_ELEVATION, level_m + head / KPA_PER_M)
            for i, setting in enumerate(settings_kpa):
                en.ENsetlinkvalue(valve, EN_SETTING, setting / KPA_PER_M)
                en.ENinitH(0)
                en.ENrunH()
                inlet[i, j, k] = en.ENgetnodevalue(at_inlet, EN_PRESSURE) * KPA_PER_M
                outlet[i, j, k] = en.ENgetnodevalue(at_outlet, EN_PRESSURE) * KPA_PER_M
                flow[i, j, k] = en.ENgetlinkvalue(valve, EN_FLOW)
    en.ENcloseH()
    en.ENclose()
    return Table(settings_kpa, supply_kpa, inlet, outlet, np.maximum(flow, 0.0))


def looked_up(
    table: Table, setting: FloatArray, demand: FloatArray, supply: FloatArray
) -> tuple[FloatArray, ...]:
    """Inlet, outlet and flow by straight lines between EPANET's answers; all shape (n,)."""
    where = []
    for axis, x in ((table.settings_kpa, setting), (MULTIPLIERS, demand), (table.supply_kpa, supply)):
        x = np.clip(x, axis[0], axis[-1])
        low = np.clip(np.searchsorted(axis, x, side="right") - 1, 0, len(axis) - 2)
        where.append((low, (x - axis[low]) / (axis[low + 1] - axis[low])))
    (i, u), (j, v), (k, w) = where
    found = []
    for values in (table.inlet_kpa, table.outlet_kpa, table.flow_lps):
        total = np.zeros(len(i))
        for di, pu in ((0, 1 - u), (1, u)):
            for dj, pv in ((0, 1 - v), (1, v)):
                for dk, pw in ((0, 1 - w), (1, w)):
                    total += pu * pv * pw * values[i + di, j + dj, k + dk]
        found.append(total)
    return tuple(found)
