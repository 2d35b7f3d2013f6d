"""A pack's files against readers written by others: canmatrix, uvllang, vininfo, udsoncan.

None of these libraries is used by the pack reader itself (canmatrix only for ARXML).
"""

import logging
import tomllib
from pathlib import Path

import pytest

from donorfit.edge.packs import read_declared_survey, read_pack
from donorfit.edge.packs.scenario_files import read_scenario
from donorfit.edge.packs.shape_base import parse_fault_code
from donorfit.vehicle.network import NetworkKind
from donorfit.vehicle.pack import Pack
from donorfit.vehicle.rules import GroupKind

pytestmark = pytest.mark.reference


@pytest.fixture(scope="module")
def demo(repository: Path) -> Path:
    return repository / "src" / "donorfit" / "demo"


@pytest.fixture(scope="module")
def pack(demo: Path) -> Pack:
    return read_pack(demo / "pack")


def test_networks_read_alike_by_canmatrix(demo: Path, pack: Pack) -> None:
    formats = pytest.importorskip("canmatrix.formats")
    logging.getLogger("canmatrix").setLevel(logging.CRITICAL)
    for network in pack.networks:
        if network.kind is not NetworkKind.CAN:
            continue
        path = demo / "pack" / "networks" / f"{network.name}.dbc"
        matrix = formats.loadp_flat(str(path))
        theirs = {
            (
                frame.name,
                frame.arbitration_id.id,
                frame.size,
                frame.cycle_time or None,
                tuple(frame.transmitters),
            ): {
                (
                    signal.name,
                    signal.get_startbit(bit_numbering=1),
                    signal.size,
                    not signal.is_little_endian,
                    signal.is_signed,
                    float(signal.factor),
                    float(signal.offset),
                )
                for signal in frame.signals
            }
            for frame in matrix.frames
        }
        ours = {
            (m.name, m.frame_id, m.length_bytes, m.cycle_ms, m.senders): {
                (s.name, s.first_bit, s.bit_length, s.big_endian, s.signed, s.factor, s.offset)
                for s in m.signals
            }
            for m in network.messages
        }
        assert ours == theirs, network.name


def test_lists_are_judged_alike_by_uvllang(demo: Path, pack: Pack) -> None:
    """The delivered list and the repaired one fit the clauses that uvllang makes of the rules.

    The list as declared breaks them. Rules about build months are left out: uvllang knows none.
    """
    uvllang = pytest.importorskip("uvllang")
    glucose = pytest.importorskip("pysat.solvers").Glucose4
    text = (demo / "pack" / "options.uvl").read_text("utf-8")
    text = text.replace("        optional\n            Integer build_month\n", "")
    lines = [line for line in text.splitlines() if "build_month" not in line]
    cnf = uvllang.UVL(from_str="\n".join(lines)).to_cnf(verbose_info=False)
    names = {}
    for comment in cnf.comments:
        _, number, name = comment.split(" ", 2)
        names[name.strip('"')] = int(number)
    assert set(names) == {str(name) for name in pack.rules.names}

    def fits(options: set[str]) -> bool:
        wanted = options | _list_parents(pack, options)
        on = {number for name, number in names.items() if name in wanted}
        known = [number if number in on else -number for number in names.values()]
        with glucose(bootstrap_with=cnf.clauses) as solver:
            return bool(solver.solve(assumptions=known))

    built = set(read_declared_survey(demo / "declared.toml", pack).options)
    gone = {"sound_6", "sound_surround", "boot_subwoofer", "service_plan_1"}
    new = {
        "towing_coupling", "trailer_electrics", "trailer_electrics_2", "trailer_socket_13",
        "park_distance_trailer", "camera_coupling_view", "sound_amplifier", "sound_hifi",
        "service_plan_2",
    }  # fmt: skip
    assert fits(built)
    assert not fits(built | {"sound_surround", "boot_subwoofer"})
    assert not fits(built | new)
    assert fits((built - gone) | new)
    for option in sorted(new - {"service_plan_2"}):
        assert not fits(((built - gone) | new) - {option}), option


def _list_parents(pack: Pack, options: set[str]) -> set[str]:
    """Options that only give structure are on while one below them is, or always if mandatory."""
    rules = pack.rules
    abstract = rules.list_abstract()
    found = {str(rules.names[0])}
    for place, name in enumerate(rules.names):
        parent = rules.parents[place]
        while str(name) in options and parent >= 0:
            if parent in abstract:
                found.add(str(rules.names[parent]))
            parent = rules.parents[parent]
    for place in sorted(abstract):
        group = rules.group_of[place]
        mandatory = group >= 0 and rules.group_kinds[group] is GroupKind.MANDATORY
        if mandatory and str(rules.names[rules.parents[place]]) in found:
            found.add(str(rules.names[place]))
    return found


def test_vins_are_judged_alike_by_vininfo(demo: Path) -> None:
    vininfo = pytest.importorskip("vininfo")
    numbers = {read_scenario(demo / name).vin.decode() for name in ("car.toml", "bench.toml")}
    numbers.add(tomllib.loads((demo / "declared.toml").read_text("utf-8"))["vin"])
    assert len(numbers) == 2
    for number in numbers:
        vin = vininfo.Vin(number)
        assert vin.verify_checksum(check_year=False)
        assert vin.manufacturer == "UnsupportedBrand"  # no maker known to the library
        assert vin.wmi == "ZZ9"


@pytest.mark.parametrize(
    ("number", "text"),
    [
        # worked examples of SAE J2012 / ISO 15031-6 coding, as cited in public notes on the code
        (0x9234, "B1234"),
        (0xC100, "U0100"),
        (0x4000, "C0000"),
        (0x3FFF, "P3FFF"),
        (0x0135, "P0135"),
        (0x96A1, "B16A1"),
    ],
)
def test_fault_codes_as_published(number: int, text: str) -> None:
    assert parse_fault_code(f"{text}-00") == number << 8
    assert parse_fault_code(f"{text}-5F") == number << 8 | 0x5F


def test_fault_codes_read_alike_by_udsoncan(pack: Pack) -> None:
    """The text that udsoncan writes for each number of the pack, read back."""
    udsoncan = pytest.importorskip("udsoncan")
    for fault in pack.faults:
        text = udsoncan.Dtc(fault.code).id_iso()
        assert parse_fault_code(text) == fault.code
