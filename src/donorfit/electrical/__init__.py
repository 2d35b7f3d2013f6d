"""Supply through a session, conductor and fuse sizes, pins, sleep current.

Plain arithmetic on published tables. Every formula names its source; figures that were not found
in an open text are parameters and say "from memory" or "unverified".
"""

from donorfit.electrical.battery import (
    AGM_TABLES,
    FLOODED_TABLE,
    VOLTAGE_TABLES,
    Battery,
    VoltageTable,
)
from donorfit.electrical.fuses import FuseChoice, choose_fuse
from donorfit.electrical.lead_drop import compute_lead_drop
from donorfit.electrical.pins import PinMatch, PinWire, match_pins
from donorfit.electrical.quiescent import (
    SleepComparison,
    SleepForecast,
    SleepVerdict,
    compare_sleep,
    forecast_sleep,
)
from donorfit.electrical.supply import forecast_supply, predict_lowest_volts
from donorfit.electrical.wires import WireSize, order_wires, size_wire

__all__ = [
    "AGM_TABLES",
    "FLOODED_TABLE",
    "VOLTAGE_TABLES",
    "Battery",
    "FuseChoice",
    "PinMatch",
    "PinWire",
    "SleepComparison",
    "SleepForecast",
    "SleepVerdict",
    "VoltageTable",
    "WireSize",
    "choose_fuse",
    "compare_sleep",
    "compute_lead_drop",
    "forecast_sleep",
    "forecast_supply",
    "match_pins",
    "order_wires",
    "predict_lowest_volts",
    "size_wire",
]
