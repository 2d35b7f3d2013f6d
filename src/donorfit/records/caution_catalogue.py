"""General cautions of our own wording, and the choice of those that a plan brings up.

Every text says "may apply", defers to local law, the maker's procedure and licensed practice, and
carries where the matter was read and when. Where a source is marked "from memory" it was not
re-read; the user checks the rule where the car is registered.
"""

from collections.abc import Callable, Iterable, Mapping
from types import MappingProxyType

from donorfit.records.plan import PlannedCaution
from donorfit.vehicle.control_unit import System
from donorfit.vehicle.pack import Caution

_SEEN = "2026-11-25"
_EVERYWHERE = ("everywhere",)
_PRACTICE = "common practice, no source"


def _make(caution: str, text: str, tags: tuple[str, ...], source: str) -> Caution:
    return Caution(id=caution, text=text, jurisdictions=tags, source=source, seen=_SEEN)


GENERAL_CAUTIONS: tuple[Caution, ...] = (
    _make(
        "approval",
        "Fitting equipment that the car was not approved with may need an entry in its papers or "
        "an inspection, and may affect its insurance. Check the rule where the car is registered.",
        ("EU", "everywhere"),
        "Regulation (EU) 2018/858 (approval of vehicles, also of single ones); other rules from "
        "memory",
    ),
    _make(
        "donor-vin",
        "The module carries another car's identification. Rules on marked parts may apply: keep "
        "invoice and origin, and have identity cleared only by a licensed service.",
        ("US", "everywhere"),
        "18 USC 511 and 2321; 49 CFR 541 (parts marking)",
    ),
    _make(
        "parts-provenance",
        "Proof of where a used part came from may be asked for. Keep seller, invoice and the "
        "donor car's identification with the record.",
        ("US", "everywhere"),
        "18 USC 2321; 49 CFR 541",
    ),
    _make(
        "odometer",
        "A unit that holds the distance may fall under the rules against changing it. Distances "
        "are recorded here, never written; a replacement that shows less may have to be marked.",
        ("US", "EU", "UK", "everywhere"),
        "49 USC 32703 and 32704; 49 CFR 580.5; Directive 2014/45/EU; UK Digital Markets, "
        "Competition and Consumers Act 2024, since April 2025 in place of the rules of 2008",
    ),
    _make(
        "restraint",
        "Airbags and their sensors are read only. Work on them may be reserved to licensed "
        "persons, used ones may be barred or need the customer's written consent.",
        ("US", "everywhere"),
        "49 USC 30122; agency letters on salvaged restraints of 1994 and later; one state "
        "statute (42-9-109.5)",
    ),
    _make(
        "braking",
        "Brake units are read only. Functions that need a brake unit to be set up, such as "
        "trailer stabilisation, may have to be enabled and checked by a licensed workshop.",
        ("US", "everywhere"),
        "49 USC 30122 (safety equipment made inoperative); reports on UN Regulation 13-H (brakes)",
    ),
    _make(
        "steering",
        "Steering units are read only. Work on them may affect the type approval and may be "
        "reserved to licensed persons.",
        ("US", "everywhere"),
        "49 USC 30122 (safety equipment made inoperative); reports on UN Regulation 79 (steering)",
    ),
    _make(
        "immobiliser",
        "Units of the immobiliser are read only, and no lock is worked around. Keys and pairing "
        "may be had only through the maker's own licensed service.",
        _EVERYWHERE,
        "UN Regulation 116 (unauthorised use, immobilisers), read in reports on it",
    ),
    _make(
        "high-voltage",
        "Parts above 60 V DC or 30 V AC may kill. Opening or unplugging them may be reserved to "
        "qualified persons under the maker's procedure.",
        _EVERYWHERE,
        "UN Regulation 100 (electric shock); the limits of class B voltage, ISO 6469, in "
        "secondary sources",
    ),
    _make(
        "lighting",
        "Lamps and their control may be subject to type approval. After the work the lights of "
        "car and trailer may have to be tested one by one.",
        _EVERYWHERE,
        "UN Regulation 48 (installation of lamps), read in reports on it; one national rule "
        "(Norway)",
    ),
    _make(
        "build-month",
        "The declared build month is data inside the control units, not a legal date. Papers, "
        "parts orders and emission rules may go by the real one; keep both in the record.",
        _EVERYWHERE,
        _PRACTICE,
    ),
    _make(
        "programming",
        "Loading software may leave a unit dead when power or link fails. The maker's procedure "
        "may ask for more than is done here, and a right to use the software may be needed.",
        _EVERYWHERE,
        _PRACTICE,
    ),
    _make(
        "supply",
        "A long session may drain the battery below what the units need. Use a supply that holds "
        "its current; small battery chargers may drop to trickle charge by themselves.",
        _EVERYWHERE,
        "three trade pages on supplies for long sessions, low authority",
    ),
    _make(
        "battery-gas",
        "Charging a battery may set free explosive gas. Ventilate, and make and break contacts "
        "away from the battery.",
        ("US", "everywhere"),
        "29 CFR 1910.178(g) and 1917.157; a national safety institute on battery rooms",
    ),
    _make(
        "wiring",
        "New wires may overheat without a fuse near their source that fits the thinnest wire. The "
        "maker's wiring guide may forbid some routes and joints.",
        _EVERYWHERE,
        "two trade pages on fuses, low authority",
    ),
    _make(
        "plug-differs",
        "The host's plug may fit the module although its cavities carry something else, and may "
        "then destroy it or start a fire. Use the adapter wires of the plan and measure each one "
        "before connecting.",
        _EVERYWHERE,
        _PRACTICE,
    ),
    _make(
        "optical-ring",
        "A ring that is opened silences every unit on it. Fibre bent tighter than 25 mm may fail "
        "later; keep the ends clean and the light out of the eyes.",
        _EVERYWHERE,
        "two service texts on 650 nm plastic fibre rings",
    ),
    _make(
        "radio",
        "Modules that transmit may need an approval for this country and this car.",
        ("EU", "US", "everywhere"),
        "Directive 2014/53/EU; 47 CFR 2.803",
    ),
    _make(
        "emissions",
        "Rules against changing emission controls may apply to any unit that influences "
        "the engine.",
        ("US", "everywhere"),
        "42 USC 7522(a)(3) (emission controls made inoperative); other rules from memory",
    ),
    _make(
        "privacy",
        "A used module may hold its earlier owner's contacts, routes or pictures. Erase them by "
        "the maker's own function and keep no copy.",
        ("EU", "everywhere"),
        "Regulation (EU) 2016/679; EDPB Guidelines 1/2020, paragraphs 87 to 89 (change of owner)",
    ),
    _make(
        "licensed-service",
        "The module may have to be made neutral by a licensed service before it can work here.",
        _EVERYWHERE,
        _PRACTICE,
    ),
    _make(
        "towing",
        "Towed weight may have to be entered in the car's papers, and coupling, cooling, brakes "
        "and rear suspension may limit it whatever the electrics can do.",
        ("EU", "everywhere"),
        "Directive 94/20/EC and UN Regulation 55 (couplings, towable mass), in secondary "
        "sources; entry in the papers from memory",
    ),
)

CAUTIONS: Mapping[str, Caution] = MappingProxyType({each.id: each for each in GENERAL_CAUTIONS})
"""The general cautions by id."""

TOPICS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "any work": ("approval", "parts-provenance"),
        "other car's parts": ("donor-vin", "parts-provenance", "licensed-service"),
        "distance display": ("odometer",),
        "restraint": ("restraint",),
        "braking": ("braking",),
        "steering": ("steering",),
        "immobiliser": ("immobiliser",),
        "high voltage": ("high-voltage",),
        "lighting": ("lighting",),
        "radio": ("radio", "privacy"),
        "engine": ("emissions",),
        "media": ("privacy",),
        "build month": ("build-month",),
        "software": ("programming",),
        "supply": ("supply", "battery-gas"),
        "wires": ("wiring", "plug-differs"),
        "optical ring": ("optical-ring",),
        "towing": ("towing",),
    }
)
"""Cautions by what a piece of work touches; the systems of control units are among them."""


def find_cautions(touches: Iterable[str] = (), where: str = "") -> tuple[Caution, ...]:
    """Cautions of the catalogue about what is touched, in one place; all without a filter.

    Args:
        touches: topics of ``TOPICS``; none for all.
        where: a jurisdiction's tag, such as ``EU``; a caution that may apply everywhere always
            counts. Empty for all.

    Raises:
        KeyError: a topic that is none.
    """
    topics = tuple(touches)
    wanted = {name for topic in topics for name in TOPICS[topic]} if topics else set(CAUTIONS)
    return tuple(
        each
        for each in GENERAL_CAUTIONS
        if each.id in wanted and (not where or _applies_in(each, where))
    )


def _applies_in(caution: Caution, where: str) -> bool:
    tags = {tag.casefold() for tag in caution.jurisdictions}
    return bool(tags & {where.casefold(), *_EVERYWHERE})


def choose_cautions(
    *,
    systems: Iterable[tuple[System, str]] = (),
    donor_vin_differs: bool = False,
    month_changes: bool = False,
    programming: bool = False,
    supply: bool = False,
    wires: bool = False,
    ring: bool = False,
    plug_differs: bool = False,
    own: Iterable[Caution] = (),
    extra: Iterable[tuple[str, str]] = (),
) -> tuple[PlannedCaution, ...]:
    """Choose the cautions that a piece of work brings up, each once, in the catalogue's order.

    Args:
        systems: systems that are touched or asked, each with the unit it is said for.
        donor_vin_differs: the module carries another car's VIN.
        month_changes: the declared build month changes.
        programming: software is loaded into a unit.
        supply: the session needs a supply at the battery.
        wires: wires are run.
        ring: the optical ring is opened.
        plug_differs: a plug fits mechanically and its cavities differ.
        own: cautions of the pack's own; they apply only where ``extra`` names them, and replace a
            general caution of the same id.
        extra: ids that the module or the pack asks for, each with what asks for it. An id that
            nobody knows becomes a caution that says so: none is dropped.

    Returns:
        Planned cautions with the reason each is there. ``approval`` and ``parts-provenance`` are
        always among them.
    """
    because: dict[str, str] = {
        "approval": "equipment is fitted that the car was not built with",
        "parts-provenance": "a used part is fitted",
    }
    for system, unit in systems:
        for caution in TOPICS.get(system.value, ()):
            because.setdefault(caution, f"{unit} belongs to {system.value}")
    conditions = (
        ("donor-vin", donor_vin_differs, "the module carries another car's identification"),
        ("build-month", month_changes, "the declared build month changes"),
        ("programming", programming, "software is loaded into a unit"),
        ("supply", supply, "the session needs a supply at the battery"),
        ("battery-gas", supply, "the battery is charged during the session"),
        ("wiring", wires, "wires are run"),
        ("plug-differs", plug_differs, "a plug fits although its cavities differ"),
        ("optical-ring", ring, "the optical ring is opened"),
    )
    for caution, applies, reason in conditions:
        if applies:
            because.setdefault(caution, reason)
    for caution, reason in extra:
        because.setdefault(caution, reason)
    known = {**CAUTIONS, **{each.id: each for each in own}}
    order = {name: place for place, name in enumerate(known)}
    chosen = sorted(because, key=_order_by(order))
    return tuple(_plan(known.get(name) or _unknown(name), because[name]) for name in chosen)


def _order_by(order: Mapping[str, int]) -> Callable[[str], tuple[int, str]]:
    return lambda name: (order.get(name, len(order)), name)


def _unknown(name: str) -> Caution:
    return _make(
        name,
        f"The pack asks for a caution named {name!r} that neither it nor the catalogue holds. "
        "Rules may apply that are not said here.",
        _EVERYWHERE,
        "none: the pack names it without text",
    )


def _plan(caution: Caution, because: str) -> PlannedCaution:
    return PlannedCaution(
        id=caution.id,
        text=caution.text,
        jurisdictions=caution.jurisdictions,
        source=caution.source,
        seen=caution.seen,
        because=because,
    )
