"""JSON Schemas (2020-12) of what the commands on faults, networks, wires and cautions print.

They are made from the data classes that are printed, and shipped in ``donorfit/schemas``; a test
holds the shipped ones to these.
"""

import json
from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

from pydantic import create_model

from donorfit.edge.networks.reading import NetworkReading
from donorfit.edge.packs.schema_files import DIALECT
from donorfit.electrical import (
    ChargeGuess,
    ListedWire,
    PartsLine,
    PinMatch,
    SleepByRule,
    SleepComparison,
    SupportVerdict,
    TableSpread,
    WireSize,
)
from donorfit.errors import Mistake
from donorfit.faults import CodeWords, FaultExplanation, PresentFault, WrittenList
from donorfit.faults.written_lists import Unread
from donorfit.network import LoadReport, RingReport, SignalCheck
from donorfit.network.addresses import AddressClash
from donorfit.network.answers import MatchedSignal, RecordSeen, SignalValues
from donorfit.network.bus_load import ResponseTime
from donorfit.network.collisions import Collision
from donorfit.network.frames import LeftOut
from donorfit.network.gateway_rows import GatewayProposal
from donorfit.network.lin_fit import LinReport
from donorfit.network.log_coverage import SeenCheck
from donorfit.network.termination import ResistanceAnswer, ResistorPlan, StubAnswer
from donorfit.records.finding import Finding
from donorfit.records.plan import SupplyForecast, WireOrder
from donorfit.records.proof import FaultComparison
from donorfit.vehicle.pack import Caution

Values = Mapping[str, Any]
ANSWERS: Mapping[str, tuple[int, Values]] = MappingProxyType(
    {
        "faults code": (1, {"codes": list[CodeWords], "status": list[str]}),
        "faults read": (
            1,
            {"list": WrittenList, "notes": list[str], "findings": list[Finding]},
        ),
        "faults compare": (
            1,
            {
                "faults": list[FaultComparison],
                "not_read": dict[str, list[Unread]],
                "not_named": list[str],
            },
        ),
        "faults now": (
            1,
            {"faults": list[PresentFault], "not_read": list[Unread], "notes": list[str]},
        ),
        "faults explain": (
            1,
            {
                "explanation": FaultExplanation,
                "passed": list[tuple[str, int]],
                "not_read": list[Unread],
                "notes": list[str],
            },
        ),
        "electrical supply": (
            2,
            {
                "forecast": SupplyForecast,
                "support": SupportVerdict | None,
                "tables": list[TableSpread],
            },
        ),
        "electrical charge": (1, {"guesses": list[ChargeGuess]}),
        "electrical sleep": (2, {"comparison": SleepComparison, "rules": list[SleepByRule]}),
        "electrical wire": (2, {"wire": WireSize, "gauge": int | None, "lists": list[ListedWire]}),
        "electrical pins": (1, {"match": PinMatch, "wires": list[WireOrder]}),
        "electrical parts": (1, {"parts": list[PartsLine]}),
        "network read": (1, {"files": list[NetworkReading], "mistakes": list[Mistake]}),
        "network needs": (2, {"module": str, "signals": list[SignalCheck]}),
        "network load": (
            2,
            {"reports": list[LoadReport], "first_late": list[ResponseTime | None]},
        ),
        "network collisions": (
            2,
            {"collisions": list[Collision], "addresses": list[AddressClash]},
        ),
        "network lin": (1, {"report": LinReport}),
        "network termination": (
            1,
            {
                "resistors": ResistorPlan | None,
                "stub": StubAnswer | None,
                "reading": ResistanceAnswer | None,
            },
        ),
        "network log": (2, {"records": list[RecordSeen], "needs": list[SeenCheck]}),
        "network values": (
            2,
            {"signals": list[SignalValues], "left_out": list[LeftOut], "notes": list[str]},
        ),
        "network match": (
            2,
            {
                "matches": list[MatchedSignal],
                "proposal": GatewayProposal | None,
                "written": list[str],
            },
        ),
        "network ring": (
            2,
            {"before": RingReport, "after": RingReport | None, "tell_master": list[str]},
        ),
        "cautions": (1, {"cautions": list[Caution], "topics": list[str]}),
    }
)
"""Command, the number of its form, and what stands beside ``schema`` in its answer."""


def name_file(command: str) -> str:
    """Name of the schema's file."""
    return f"{command.replace(' ', '-')}.schema.json"


def make_answer_schema(command: str) -> dict[str, Any]:
    """Schema of what a command prints with ``--json``.

    Raises:
        KeyError: a command that is none of these.
    """
    number, values = ANSWERS[command]
    fields: dict[str, Any] = {name: (kind, ...) for name, kind in values.items()}
    model: Any = create_model("Answer", **fields)
    body = model.model_json_schema()
    form = {"const": f"donorfit {command} {number}", "type": "string"}
    return {
        "$schema": DIALECT,
        "title": f"Answer of donorfit {command}",
        "type": "object",
        "additionalProperties": False,
        "properties": {"schema": form, **body["properties"]},
        "required": ["schema", *body["required"]],
        "$defs": body.get("$defs", {}),
    }


def write_answer_schema(command: str) -> str:
    """The schema as its file holds it."""
    return json.dumps(make_answer_schema(command), indent=2, ensure_ascii=False) + "\n"
