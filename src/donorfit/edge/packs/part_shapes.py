"""File shapes of a pack's manifest and of its parts other than control units."""

from typing import Annotated, Literal

from pydantic import Field

from donorfit.edge.packs.shape_base import (
    Amount,
    Byte,
    FaultText,
    FileName,
    Month,
    Name,
    Shape,
    Text,
    Version,
    Word16,
)

Files = list[FileName]


class PartsShape(Shape):
    """Names of the files that make up the pack."""

    options: FileName
    units: Annotated[Files, Field(min_length=1)]
    networks: Files = Field(default_factory=list)
    connectors: Files = Field(default_factory=list)
    faults: Files = Field(default_factory=list)
    modules: Files = Field(default_factory=list)
    session: Files = Field(default_factory=list)
    cautions: Files = Field(default_factory=list)


class ManifestFile(Shape):
    """``pack.toml``."""

    format: Literal["donorfit pack 1"]
    id: Name
    title: Text
    version: Text
    family_from: Month
    family_before: Month
    wmi: list[Annotated[str, Field(min_length=1, max_length=17)]] = Field(default_factory=list)
    gateway: Word16
    parts: PartsShape


class NetworkShape(Shape):
    """One network; ``messages`` names its description, ``bus`` one of several buses in it."""

    name: Name
    kind: Literal["can", "ethernet", "optical ring", "lin"]
    bit_rate: Annotated[int, Field(ge=0, le=10**11)] = 0
    data_bit_rate: Annotated[int, Field(ge=0, le=10**8)] = 0
    terminated_by: list[Name] = Field(default_factory=list)
    messages: FileName | None = None
    bus: str = ""


class HopShape(Shape):
    """The fibre from one node of the ring to the next."""

    source: Name
    target: Name
    length_m: Amount
    inline_connectors: Byte = 0
    sharp_bends: Byte = 0


class RingShape(Shape):
    """The optical ring, hops in the direction of the light."""

    name: Name
    master: Name
    hop: Annotated[list[HopShape], Field(min_length=2)]


class NetworksFile(Shape):
    """A file of networks."""

    network: list[NetworkShape] = Field(default_factory=list)
    ring: list[RingShape] = Field(default_factory=list)


class CavityShape(Shape):
    """One cavity of a connector."""

    number: Annotated[int, Field(ge=1, le=400)]
    function: Literal[
        "supply",
        "switched supply",
        "ground",
        "can high",
        "can low",
        "ethernet plus",
        "ethernet minus",
        "optical in",
        "optical out",
        "output",
        "input",
        "unused",
    ]
    detail: str = ""
    current_a: Amount = 0.0


class ConnectorShape(Shape):
    """A connector; plugs of one ``shape`` fit each other."""

    id: Name
    title: Text
    shape: Text
    cavity: Annotated[list[CavityShape], Field(min_length=1)]


class ConnectorsFile(Shape):
    """A file of connectors."""

    connector: list[ConnectorShape] = Field(default_factory=list)


class CauseShape(Shape):
    """One possible cause of a fault code."""

    kind: Literal[
        "unit not declared",
        "configuration disagrees",
        "message missing",
        "supply low",
        "another car's VIN",
        "ring break",
        "the part itself",
    ]
    subject: str = ""


class FaultShape(Shape):
    """A fault code of one unit, its causes with the likeliest first."""

    unit: Name
    code: FaultText
    title: Text
    causes: Annotated[list[CauseShape], Field(min_length=1)]


class FaultsFile(Shape):
    """A file of fault codes."""

    fault: list[FaultShape] = Field(default_factory=list)


class CompanionShape(Shape):
    """Another control unit that the module needs."""

    unit: Name
    reason: Text
    software_from: Version | None = None


class NeededSignalShape(Shape):
    """A signal that the module has to receive."""

    network: Name
    message: Text
    signal: Text
    longest_gap_ms: Annotated[int, Field(ge=1, le=3_600_000)]
    effect: Text


class HandCheckShape(Shape):
    """Something a person looks at after the work."""

    id: Name
    text: Text


class ModuleShape(Shape):
    """A donor module and all that it needs."""

    id: Name
    title: Text
    unit: Name
    hardware: Annotated[list[Text], Field(min_length=1)]
    options_on: list[Name] = Field(default_factory=list)
    options_off: list[Name] = Field(default_factory=list)
    month_from: Month | None = None
    month_before: Month | None = None
    software_from: Version | None = None
    connector: str = ""
    host_connector: str = ""
    supply_current_a: Amount = 0.0
    sleep_current_ma: Amount = 0.0
    on_ring: bool = False
    terminates: bool | None = None
    stub_m: Amount | None = None
    cautions: list[Text] = Field(default_factory=list)
    companion: list[CompanionShape] = Field(default_factory=list)
    signal: list[NeededSignalShape] = Field(default_factory=list)
    hand_check: list[HandCheckShape] = Field(default_factory=list)


class ModulesFile(Shape):
    """A file of donor modules."""

    module: list[ModuleShape] = Field(default_factory=list)


class WakeShape(Shape):
    """A condition that keeps the car awake; with ``unit`` it is read, without it is asked."""

    id: Name
    text: Text
    unit: Name | None = None
    identifier: Word16 | None = None
    byte: Word16 = 0
    mask: Byte = 0xFF
    value: Byte = 0


class SupplyShape(Shape):
    """Supply that the family asks for, and where its voltage is read."""

    lowest_volts: Amount
    highest_volts: Amount
    unit: Name
    identifier: Word16
    volts_per_bit: Annotated[float, Field(gt=0, le=10, allow_inf_nan=False)]
    base_current_a: Amount
    battery_ah: Amount
    sleep_current_ma: Amount = 0.0
    path_milliohm: Annotated[float, Field(ge=0, le=1000, allow_inf_nan=False)] = 0.0


class SideBySideShape(Shape):
    """What a session may do at the same time."""

    most_units: Annotated[int, Field(ge=1, le=64)]
    gateway: Literal["first", "last"] = "last"
    most_current_a: Annotated[float, Field(gt=0, le=1000, allow_inf_nan=False)] | None = None
    gateway_bytes_per_s: Annotated[float, Field(gt=0, allow_inf_nan=False)] | None = None


class SessionFile(Shape):
    """A file on the state of the car during a session."""

    wake_condition: list[WakeShape] = Field(default_factory=list)
    supply: SupplyShape | None = None
    side_by_side: SideBySideShape | None = None


class CautionShape(Shape):
    """A caution of the pack's own."""

    id: Text
    text: Text
    jurisdictions: Annotated[list[Text], Field(min_length=1)]
    source: Text
    seen: Annotated[str, Field(pattern=r"^\d{4}-\d{2}-\d{2}$")]


class CautionsFile(Shape):
    """A file of cautions."""

    caution: list[CautionShape] = Field(default_factory=list)
