"""Nodes and schedule tables of a LIN description, as :mod:`ldfparser` gives them."""

from typing import Any

from donorfit.vehicle.lin import LinCluster, LinNode, LinSchedule, LinSlot, SlotKind

_KINDS = {
    "LinFrameEntry": SlotKind.FRAME,
    "MasterRequestEntry": SlotKind.MASTER_REQUEST,
    "SlaveResponseEntry": SlotKind.SLAVE_RESPONSE,
}
"""Every other entry of the format configures a node, or carries bytes as they are given."""


def convert_cluster(cluster: Any) -> LinCluster:
    """Nodes and schedule tables."""
    master = cluster.get_master() if cluster.master else None
    first = [LinNode(name=master.name, master=True)] if master else []
    return LinCluster(
        protocol=str(cluster.get_protocol_version() or ""),
        nodes=(*first, *(_convert_node(node) for node in cluster.get_slaves())),
        schedules=tuple(_convert_table(table) for table in cluster.get_schedule_tables()),
        jitter_us=_to_microseconds(master.jitter) if master else 0,
        time_base_us=_to_microseconds(master.timebase) if master else 0,
    )


def _convert_node(node: Any) -> LinNode:
    return LinNode(
        name=node.name,
        protocol=str(node.lin_protocol or ""),
        node_address=node.configured_nad,
        initial_address=node.initial_nad,
    )


def _convert_table(table: Any) -> LinSchedule:
    return LinSchedule(
        name=table.name,
        slots=tuple(
            LinSlot(
                kind=_KINDS.get(type(entry).__name__, SlotKind.CONFIGURATION),
                frame=entry.frame.name if type(entry).__name__ == "LinFrameEntry" else "",
                delay_us=_to_microseconds(entry.delay),
            )
            for entry in table.schedule
        ),
    )


def _to_microseconds(seconds: float | None) -> int:
    return round((seconds or 0) * 1_000_000)
