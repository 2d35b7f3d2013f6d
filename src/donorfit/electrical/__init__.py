"""Supply through a session, conductor and fuse sizes, pins, sleep current.

Plain arithmetic on published tables. Every formula names its source; figures that were not found
in an open text are parameters and say "from memory" or "unverified".
"""

from donorfit.electrical.battery import (
    FLOODED_TABLE,
    VOLTAGE_TABLES,
    Battery,
    ChargeGuess,
    Chemistry,
    VoltageTable,
    guess_charge,
)
from donorfit.electrical.fuses import FuseChoice, choose_fuse
from donorfit.electrical.lead_drop import compute_lead_drop
from donorfit.electrical.parts import PartsLine, list_parts
from donorfit.electrical.pins import PinMatch, PinWire, match_pins
from donorfit.electrical.quiescent import (
    SleepByRule,
    SleepComparison,
    SleepForecast,
    SleepVerdict,
    compare_by_rule,
    compare_sleep,
    forecast_sleep,
)
from donorfit.electrical.supply import (
    SupportVerdict,
    TableSpread,
    compare_tables,
    forecast_supply,
    judge_support,
)
from donorfit.electrical.wires import (
    ListedWire,
    WireSize,
    compare_lists,
    find_bundle_factor,
    order_wires,
    size_wire,
)

__all__ = [
    "FLOODED_TABLE",
    "VOLTAGE_TABLES",
    "Battery",
    "ChargeGuess",
    "Chemistry",
    "FuseChoice",
    "ListedWire",
    "PartsLine",
    "PinMatch",
    "PinWire",
    "SleepByRule",
    "SleepComparison",
    "SleepForecast",
    "SleepVerdict",
    "SupportVerdict",
    "TableSpread",
    "VoltageTable",
    "WireSize",
    "choose_fuse",
    "compare_by_rule",
    "compare_lists",
    "compare_sleep",
    "compare_tables",
    "compute_lead_drop",
    "find_bundle_factor",
    "forecast_sleep",
    "forecast_supply",
    "guess_charge",
    "judge_support",
    "list_parts",
    "match_pins",
    "order_wires",
    "size_wire",
]
