"""Requirement by requirement, on an invented car."""

from dataclasses import replace
from types import SimpleNamespace

import pytest

from donorfit.errors import InputError
from donorfit.records.encoding import decode, encode
from donorfit.records.fit_report import FitReport, Subject, Verdict
from donorfit.records.survey import Survey, SurveyKind
from donorfit.stages.fit_check import fit_check
from donorfit.vehicle.control_unit import ControlUnit, System
from donorfit.vehicle.donor import Companion, NeededSignal
from donorfit.vehicle.identity import SoftwareVersion, UnitId
from donorfit.vehicle.network import PinFunction

Car = SimpleNamespace


def find(report: FitReport, subject: Subject, title: str = "") -> tuple[Verdict, str, str]:
    line = next(line for line in report.lines if line.subject is subject and title in line.title)
    return line.verdict, line.reason, line.change


def answer(car: Car, **module: object) -> FitReport:
    return fit_check(car.change_module(**module), car.host, "tow_2", car.bench)


def with_bench(car: Car, **facts: str) -> FitReport:
    unit = car.read_unit("tow_control", **facts)
    return fit_check(car.pack, car.host, "tow_2", replace(car.bench, units=(unit,)))


def ready(car: Car) -> Survey:
    """The host with everything declared that the module needs."""
    return replace(
        car.host,
        month=car.find_month("2021-07"),
        options=("Car", "brake_assist", "towing", "swivel", "trailer_camera"),
    )


def test_the_changes_are_named_with_their_rules(invented: Car) -> None:
    report = fit_check(invented.pack, invented.host, "tow_2", invented.bench)
    assert report.verdict is Verdict.AFTER_CHANGE
    assert not report.as_it_stands
    assert find(report, Subject.OPTIONS, "towing")[2] == "declare towing"
    whole = next(line for line in report.lines if line.title == "option list as a whole")
    assert whole.change == "declare swivel; take out old_amplifier"
    assert any("invented.uvl:11" in each for each in whole.evidence)
    assert whole.reason == "2 further entries have to change so that every rule holds"
    verdict, reason, change = find(report, Subject.BUILD_MONTH)
    assert verdict is Verdict.AFTER_CHANGE
    assert change == "declare 2021-07 instead of 2020-03"
    assert "2021-07" in reason
    why_not = report.findings[0]
    assert why_not.id == "as-it-stands"
    assert "towing declared (met after a change)" in why_not.why


def test_a_car_that_has_everything_works_as_it_stands(invented: Car) -> None:
    report = fit_check(invented.pack, ready(invented), "tow_2", invented.bench)
    assert {line.verdict for line in report.lines} == {Verdict.MET}
    assert report.as_it_stands
    assert report.verdict is Verdict.MET
    assert report.findings == ()


def test_the_same_question_has_the_same_answer_and_survives_its_file(invented: Car) -> None:
    reports = [fit_check(invented.pack, invented.host, "tow_2", invented.bench) for _ in range(2)]
    assert encode(reports[0]) == encode(reports[1])
    assert decode(encode(reports[0]), FitReport) == reports[0]


def test_before_there_is_a_car_what_is_not_known_is_unknown(invented: Car) -> None:
    declared = replace(
        invented.host, kind=SurveyKind.DECLARED, taken_at="", units=(), supply_volts=None
    )
    report = fit_check(invented.pack, declared, "tow_2")
    assert report.verdict is Verdict.UNKNOWN
    assert find(report, Subject.IDENTITY)[0] is Verdict.UNKNOWN
    assert find(report, Subject.HARDWARE)[0] is Verdict.UNKNOWN
    assert find(report, Subject.COMPANION)[0] is Verdict.UNKNOWN
    assert find(report, Subject.OPTIONS, "towing")[0] is Verdict.AFTER_CHANGE
    assert find(report, Subject.SIGNAL)[0] is Verdict.MET
    bare = replace(declared, options=(), month=None, vin="")
    assert find(fit_check(invented.pack, bare, "tow_2"), Subject.OPTIONS)[0] is Verdict.UNKNOWN
    assert find(fit_check(invented.pack, bare, "tow_2"), Subject.BUILD_MONTH)[0] is Verdict.UNKNOWN


def test_what_cannot_be_repaired_is_said_with_the_facts(invented: Car) -> None:
    host = replace(invented.host, fitted=("old_amplifier",))
    report = fit_check(invented.pack, host, "tow_2", invented.bench)
    verdict, reason, _ = find(report, Subject.OPTIONS, "towing")
    assert verdict is Verdict.IMPOSSIBLE
    assert "old_amplifier" in reason
    assert report.verdict is Verdict.IMPOSSIBLE


def test_needed_but_absent_by_the_persons_word(invented: Car) -> None:
    host = replace(invented.host, not_fitted=("trailer_camera",))
    report = fit_check(invented.pack, host, "tow_2", invented.bench)
    verdict, reason, _ = find(report, Subject.OPTIONS)
    assert verdict is Verdict.IMPOSSIBLE
    assert "trailer_camera" in reason


def test_an_option_that_the_rules_do_not_know_is_said(invented: Car) -> None:
    host = replace(invented.host, options=(*invented.host.options, "mystery"))
    report = fit_check(invented.pack, host, "tow_2", invented.bench)
    assert [f.evidence for f in report.findings if f.id == "option-unknown"] == [("mystery",)]


def test_a_month_that_the_module_forbids_is_moved_for_it(invented: Car) -> None:
    pack = invented.change_module(month_from=invented.find_month("2022-02"))
    report = fit_check(pack, ready(invented), "tow_2", invented.bench)
    assert find(report, Subject.BUILD_MONTH)[2] == "declare 2022-02 instead of 2021-07"
    early = invented.change_module(month_from=None, month_before=invented.find_month("2020-01"))
    report = fit_check(early, invented.host, "tow_2", invented.bench)
    assert find(report, Subject.BUILD_MONTH)[0] is Verdict.IMPOSSIBLE


@pytest.mark.parametrize(
    ("facts", "verdict", "words"),
    [
        ({"vin": ""}, Verdict.MET, "neutral"),
        ({"vin": "\xff" * 17}, Verdict.MET, "neutral"),
        ({"vin": "ZZ9DF17A7SD000042"}, Verdict.MET, "own VIN"),
        ({"vin": "ZZ9DF17A4TH000137"}, Verdict.AFTER_CHANGE, "another car's VIN"),
    ],
)
def test_whose_identity_the_module_carries(
    invented: Car, facts: dict[str, str], verdict: Verdict, words: str
) -> None:
    report = with_bench(invented, hardware="H2", software="2.0", **facts)
    found, reason, change = find(report, Subject.IDENTITY)
    assert (found, words in reason) == (verdict, True)
    asked = [each for each in report.findings if each.id == "module-carries-other-vin"]
    assert bool(asked) is (verdict is Verdict.AFTER_CHANGE)
    assert not asked or ("never overwritten" in change and "may apply" in asked[0].why)


def test_a_module_that_refuses_its_vin_is_not_neutral(invented: Car) -> None:
    unit = replace(
        invented.read_unit("tow_control", hardware="H2", software="2.0"),
        refusals=("VIN: security access denied",),
    )
    bench = replace(invented.bench, units=(unit,))
    report = fit_check(invented.pack, invented.host, "tow_2", bench)
    assert find(report, Subject.IDENTITY)[0] is Verdict.UNKNOWN


@pytest.mark.parametrize(
    ("hardware", "software", "verdicts"),
    [
        ("H2", "2.0", (Verdict.MET, Verdict.MET)),
        ("H9", "2.0", (Verdict.IMPOSSIBLE, Verdict.MET)),
        ("H2", "1.9", (Verdict.MET, Verdict.AFTER_CHANGE)),
        ("H9", "1.9", (Verdict.IMPOSSIBLE, Verdict.IMPOSSIBLE)),
        ("", "1.9", (Verdict.UNKNOWN, Verdict.UNKNOWN)),
        ("H2", "new", (Verdict.MET, Verdict.UNKNOWN)),
        ("H2", "10.0", (Verdict.MET, Verdict.MET)),
    ],
)
def test_hardware_and_software_of_the_module(
    invented: Car, hardware: str, software: str, verdicts: tuple[Verdict, Verdict]
) -> None:
    report = with_bench(invented, hardware=hardware, software=software)
    found = find(report, Subject.HARDWARE)[0], find(report, Subject.SOFTWARE)[0]
    assert found == verdicts


@pytest.mark.parametrize(
    ("replaces", "verdict", "words"),
    [
        (("1.9",), Verdict.AFTER_CHANGE, "it has 1.9"),
        (("1.8",), Verdict.IMPOSSIBLE, "the pack's blocks do not go over 1.9"),
    ],
)
def test_software_that_may_not_replace_what_is_there(
    invented: Car, replaces: tuple[str, ...], verdict: Verdict, words: str
) -> None:
    over = tuple(SoftwareVersion.parse(each) for each in replaces)
    units = tuple(
        replace(
            unit, software_blocks=tuple(replace(b, replaces=over) for b in unit.software_blocks)
        )
        for unit in invented.pack.units
    )
    invented.pack = replace(invented.pack, units=units)
    found, reason, _ = find(with_bench(invented, hardware="H2", software="1.9"), Subject.SOFTWARE)
    assert (found, words in reason) == (verdict, True)


@pytest.mark.parametrize(
    ("answered", "declared", "verdict"),
    [
        (True, True, Verdict.MET),
        (False, True, Verdict.UNKNOWN),
        (False, False, Verdict.AFTER_CHANGE),
    ],
)
def test_companions(
    invented: Car,
    answered: bool,  # noqa: FBT001
    declared: bool,  # noqa: FBT001
    verdict: Verdict,
) -> None:
    units = tuple(
        replace(unit, answered=answered) if unit.unit == "brake" else unit
        for unit in invented.host.units
    )
    options = [each for each in invented.host.options if declared or each != "brake_assist"]
    host = replace(invented.host, units=units, options=tuple(options))
    report = fit_check(invented.pack, host, "tow_2", invented.bench)
    assert find(report, Subject.COMPANION)[0] is verdict


def test_a_read_only_companion_is_updated_elsewhere(invented: Car) -> None:
    companion = Companion(
        unit=UnitId("brake"), reason="x", software_from=SoftwareVersion.parse("3.0")
    )
    units = tuple(
        replace(unit, software="2.0") if unit.unit == "brake" else unit
        for unit in invented.host.units
    )
    report = fit_check(
        invented.change_module(companions=(companion,)),
        replace(invented.host, units=units),
        "tow_2",
        invented.bench,
    )
    verdict, _, change = find(report, Subject.SOFTWARE, "Brake unit")
    assert verdict is Verdict.AFTER_CHANGE
    assert "licensed workshop" in change


def test_a_signal_whose_sender_is_silent_needs_the_sender(invented: Car) -> None:
    need = NeededSignal(
        network="can_body",
        message="Speed",
        signal="VehicleSpeed",
        longest_gap_ms=100,
        effect="no steering of the lamps",
    )
    units = tuple(
        replace(unit, answered=False) if unit.unit == "brake" else unit
        for unit in invented.host.units
    )
    pack = invented.change_module(signals=(need,))
    report = fit_check(pack, replace(invented.host, units=units), "tow_2", invented.bench)
    verdict, reason, change = find(report, Subject.SIGNAL)
    assert verdict is Verdict.AFTER_CHANGE
    assert "no steering of the lamps" in reason
    assert "Brake unit" in change


def test_a_missing_signal_says_what_the_driver_notices(invented: Car) -> None:
    need = NeededSignal(
        network="can_body", message="Fog", signal="RearFog", longest_gap_ms=100, effect="dark fog"
    )
    verdict, reason, _ = find(answer(invented, signals=(need,)), Subject.SIGNAL)
    assert verdict is Verdict.IMPOSSIBLE
    assert "dark fog" in reason


def test_a_message_that_would_be_late_is_said(invented: Car) -> None:
    slow = replace(invented.body_network, bit_rate=14_500)
    report = fit_check(
        replace(invented.pack, networks=(slow,)), invented.host, "tow_2", invented.bench
    )
    assert find(report, Subject.NETWORK)[0] is Verdict.UNKNOWN
    late = [each.what for each in report.findings if each.id == "message-may-be-late"]
    assert late == ["Message Speed may come late once the module sends too."]


def test_an_identifier_used_twice_blocks(invented: Car) -> None:
    clash = replace(invented.body_network.messages[2], frame_id=0x100)
    network = replace(invented.body_network, messages=(*invented.body_network.messages[:2], clash))
    report = fit_check(
        replace(invented.pack, networks=(network,)), invented.host, "tow_2", invented.bench
    )
    assert "identifier-collision" in {finding.id for finding in report.findings}


def test_a_plug_that_fits_with_supply_on_a_signal_pin_is_a_danger(invented: Car) -> None:
    host, module = invented.pack.connectors
    swapped = replace(
        module,
        cavities=tuple(
            replace(cavity, number={1: 3, 3: 1}.get(cavity.number, cavity.number))
            for cavity in module.cavities
        ),
    )
    pack = replace(invented.pack, connectors=(host, swapped))
    report = fit_check(pack, invented.host, "tow_2", invented.bench)
    assert find(report, Subject.CONNECTOR)[0] is Verdict.AFTER_CHANGE
    dangers = [each for each in report.findings if each.id == "plug-fits-pins-differ"]
    assert "blocking" in {each.severity.value for each in dangers}
    assert len(dangers) == 2


def test_no_connector_means_wires(invented: Car) -> None:
    verdict, _, change = find(answer(invented, host_connector=""), Subject.CONNECTOR)
    assert (verdict, change) == (Verdict.AFTER_CHANGE, "run its wires (4)")
    assert find(answer(invented, connector="nobody"), Subject.CONNECTOR)[0] is Verdict.UNKNOWN


def test_a_feed_that_is_too_thin_is_sized_anew(invented: Car) -> None:
    host, module = invented.pack.connectors
    thin = replace(
        host,
        cavities=tuple(
            replace(each, current_a=5.0) if each.function is PinFunction.SUPPLY else each
            for each in host.cavities
        ),
    )
    pack = replace(invented.pack, connectors=(thin, module))
    verdict, _, change = find(
        fit_check(pack, invented.host, "tow_2", invented.bench), Subject.SUPPLY, "feed"
    )
    assert verdict is Verdict.AFTER_CHANGE
    assert "mm2" in change
    assert "fuse" in change


def test_a_low_supply_is_seen(invented: Car) -> None:
    host = replace(invented.host, supply_volts=11.9)
    report = fit_check(invented.pack, host, "tow_2", invented.bench)
    assert find(report, Subject.SUPPLY, "during the work")[0] is Verdict.AFTER_CHANGE


def test_a_place_on_the_ring(invented: Car) -> None:
    verdict, _, change = find(answer(invented, on_ring=True), Subject.RING)
    assert verdict is Verdict.AFTER_CHANGE
    assert "list of nodes" in change
    ringless = replace(invented.change_module(on_ring=True), ring=None)
    report = fit_check(ringless, invented.host, "tow_2", invented.bench)
    assert find(report, Subject.RING)[0] is Verdict.IMPOSSIBLE


def test_a_silent_ring_node_may_be_a_break(invented: Car) -> None:
    units = tuple(
        replace(unit, answered=False) if unit.unit == "tuner" else unit
        for unit in invented.host.units
    )
    report = fit_check(invented.pack, replace(invented.host, units=units), "tow_2", invented.bench)
    assert "ring-may-be-broken" in {each.id for each in report.findings}


@pytest.mark.parametrize("system", [each for each in System if each.read_only])
def test_a_module_of_a_system_that_is_only_read_is_not_possible(
    invented: Car, system: System
) -> None:
    units = tuple(
        replace(unit, system=system) if unit.id == "tow_control" else unit
        for unit in invented.units
    )
    report = fit_check(replace(invented.pack, units=units), invented.host, "tow_2", invented.bench)
    assert find(report, Subject.SAFETY)[0] is Verdict.IMPOSSIBLE
    assert report.verdict is Verdict.IMPOSSIBLE


def test_records_that_are_not_what_they_should_be(invented: Car) -> None:
    with pytest.raises(InputError, match="tow_3") as caught:
        fit_check(invented.pack, invented.host, "tow_3", invented.bench)
    assert "tow_2" in caught.value.next_step
    with pytest.raises(InputError, match="bench"):
        fit_check(invented.pack, invented.bench, "tow_2")
    with pytest.raises(InputError, match="of a car"):
        fit_check(invented.pack, invented.host, "tow_2", invented.host)
    with pytest.raises(InputError, match="other"):
        fit_check(invented.pack, replace(invented.host, pack="other"), "tow_2")


def test_another_version_of_the_pack_and_a_foreign_month_are_doubts(invented: Car) -> None:
    host = replace(invented.host, pack_digest="e" * 64, month=invented.find_month("2012-01"))
    bench = replace(invented.bench, units=(invented.read_unit("body"),))
    report = fit_check(invented.pack, host, "tow_2", bench)
    ids = {each.id for each in report.findings}
    assert {"pack-changed", "month-outside-family", "bench-other-unit"} <= ids


@pytest.mark.parametrize(
    ("over", "verdict", "words"),
    [
        ("1.9", Verdict.AFTER_CHANGE, "load 1.95 (first.bin), then "),
        ("1.8", Verdict.IMPOSSIBLE, "from the maker's service"),
    ],
)
def test_software_that_needs_another_one_first(
    invented: Car, over: str, verdict: Verdict, words: str
) -> None:
    def add_first(unit: ControlUnit) -> ControlUnit:
        between = SoftwareVersion.parse("1.95")
        later = [replace(each, replaces=(between,)) for each in unit.software_blocks]
        first = [
            replace(
                each, version=between, file="first.bin", replaces=(SoftwareVersion.parse(over),)
            )
            for each in unit.software_blocks[:1]
        ]
        return replace(unit, software_blocks=(*later, *first))

    units = tuple(map(add_first, invented.pack.units))
    invented.pack = replace(invented.pack, units=units)
    found, reason, change = find(
        with_bench(invented, hardware="H2", software="1.9"), Subject.SOFTWARE
    )
    assert found is verdict
    assert words in change, reason
