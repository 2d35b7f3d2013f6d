"""LIN frame times against published formulas, LIN descriptions written by others.

Sources: a public help page of an interface maker for the times (34 bits, 10 * (bytes + 1) bits, 1.4
times; the page's "14 *" for the header is a misprint, see the trap below); test files of ldfparser
(MIT), stored beside the repository.
"""

from pathlib import Path

import ldfparser
import pytest

from donorfit.edge.packs.network_files import read_network_file
from donorfit.network.lin_fit import (
    LinDoubtKind,
    check_lin,
    compute_longest_us,
    compute_nominal_us,
)

pytestmark = pytest.mark.reference


@pytest.mark.parametrize("length", range(1, 9))
def test_frame_times(length):
    for rate in (2_400, 9_600, 10_417, 19_200, 20_000):
        bit = 1e6 / rate
        header, response = 34 * bit, 10 * (length + 1) * bit
        assert compute_nominal_us(length, rate) == pytest.approx(header + response)
        assert compute_longest_us(length, rate) == pytest.approx(1.4 * header + 1.4 * response)


def test_eight_bytes_at_20_kbit():
    """124 bits: 6.2 ms, at most 8.68 ms (own arithmetic from the formula)."""
    assert compute_nominal_us(8, 20_000) == pytest.approx(6_200)
    assert compute_longest_us(8, 20_000) == pytest.approx(8_680)


def test_the_misprint_would_refuse_every_table_in_use(shared_data: Path):
    """With a header of 14 * 34 bits no slot of the stored descriptions would hold its frame."""
    path = shared_data / "networks" / "ldfparser" / "tests_ldf_lin22.ldf"
    report = check_lin(read_network_file(path).networks[0])
    misprinted = 14 * 34 * 1e6 / report.bit_rate
    assert all(slot.fits for slot in report.slots if slot.length_bytes is not None)
    assert all(misprinted > slot.delay_us for slot in report.slots)


def test_every_stored_description(shared_data: Path):
    doubts, slots = {}, 0
    for path in sorted((shared_data / "networks" / "ldfparser").glob("*.ldf")):
        network = read_network_file(path).networks[0]
        theirs = ldfparser.parse_ldf(str(path))
        report = check_lin(network)
        delays = [e.delay for table in theirs.get_schedule_tables() for e in table.schedule]
        assert [each.delay_us for each in report.slots] == [round(1e6 * d) for d in delays]
        assert [n.name for n in network.lin.nodes if not n.master] == [
            each.name for each in theirs.get_slaves()
        ]
        assert [n.node_address for n in network.lin.nodes if not n.master] == [
            each.configured_nad for each in theirs.get_slaves()
        ]
        slots += len(report.slots)
        doubts[path.stem] = {each.kind for each in report.doubts}
    assert slots == 154
    # Node address 20h is given to two nodes there, and identifiers 40h to 45h do not exist.
    assert LinDoubtKind.ADDRESS_TWICE in doubts["tests_ldf_lin21"]
    assert LinDoubtKind.IDENTIFIER_RESERVED in doubts["tests_ldf_lin_schedules"]
    assert LinDoubtKind.SLOT_TOO_SHORT in doubts["tests_ldf_lin_encoders"]
    assert doubts["examples_lin22"] == set()
    assert sum(LinDoubtKind.ADDRESS_TWICE in each for each in doubts.values()) == 1
