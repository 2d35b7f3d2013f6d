"""Three-way merge of one record: every conflict case has its own test."""

from dataclasses import replace
from typing import Any

import pytest

from donorfit.configuration import (
    CHANGE,
    KEEP,
    DerivedValue,
    MergeInput,
    MergeResult,
    Origin,
    PeerEvidence,
    PeerShare,
    RivalRule,
    find_unmentioned,
    is_checksum_right,
    merge,
    suspect_software_version,
    write_checksum,
)
from donorfit.errors import InputError
from donorfit.records.finding import Severity
from donorfit.records.plan import FieldEdit, FieldVerdict
from donorfit.vehicle.expression import Facts, parse_condition
from donorfit.vehicle.identity import (
    BuildMonth,
    DataIdentifier,
    OptionName,
    SoftwareVersion,
    UnitId,
)
from donorfit.vehicle.layout import (
    Checksum,
    Choice,
    ConfigurationRecord,
    DerivationRule,
    Field,
    FieldKind,
    Layout,
    Scale,
)


def make_field(name: str, byte: int, bit_length: int = 8, **more: Any) -> Field:
    """A field that starts at the most significant bit of a byte."""
    return Field(
        name=name, title=name.title(), first_bit=8 * byte + 7, bit_length=bit_length, **more
    )


MODES = (Choice(raw=0, name="off"), Choice(raw=1, name="low"), Choice(raw=2, name="high"))
LAYOUT = Layout(
    length_bytes=4,
    fields=(
        make_field("mode", 0, choices=MODES),
        make_field("taps", 1),
        make_field("serial", 2, kind=FieldKind.PER_CAR),
    ),
)


def values(**raws: int | None) -> tuple[DerivedValue, ...]:
    """Derived values; None stands for one that cannot be told."""
    return tuple(
        DerivedValue(name=name, raw=raw, possible=(raw,), reason=f"rule for {name}")
        for name, raw in raws.items()
    )


def run(
    current: str, base: dict[str, int | None], target: dict[str, int | None], **more: Any
) -> MergeResult:
    settings: dict[str, Any] = {
        "unit": UnitId("lighting"),
        "identifier": DataIdentifier(0x3001),
        "record": "Rear lamps",
        "layout_before": LAYOUT,
        "layout_after": LAYOUT,
    }
    return merge(
        MergeInput(
            **{**settings, **more},
            base=values(**base),
            current=bytes.fromhex(current),
            target=values(**target),
        )
    )


def find_edit(result: MergeResult, name: str) -> FieldEdit:
    return next(each for each in result.fields if each.name == name)


def list_ids(result: MergeResult) -> list[str]:
    return [each.id for each in result.findings]


OLD: dict[str, int | None] = {"mode": 0, "taps": 3}
NEW: dict[str, int | None] = {"mode": 1, "taps": 3}


def test_case_1_untouched_field_takes_the_new_value() -> None:
    result = run("00 03 5A 77", OLD, NEW)
    assert result.after.hex() == "01035a77"
    edit = find_edit(result, "mode")
    assert (edit.base, edit.current, edit.target, edit.result) == (0, 0, 1, 1)
    assert edit.verdict is FieldVerdict.APPLIED
    assert edit.reason == "rule for mode"


def test_case_2_owners_value_stays_where_the_list_changes_nothing() -> None:
    result = run("00 05 5A 77", OLD, NEW)
    assert result.after.hex() == "01055a77"
    assert find_edit(result, "taps").verdict is FieldVerdict.KEPT
    assert result.customised == ("taps",)
    assert result.questions == ()


class TestCase3OwnersValueMeetsAChange:
    def test_the_owner_is_asked_and_nothing_changes_before(self) -> None:
        result = run("02 03 5A 77", OLD, NEW)
        assert result.after.hex() == "02035a77"
        assert find_edit(result, "mode").verdict is FieldVerdict.ASKED
        (question,) = result.questions
        assert question.id == "lighting-3001-mode"
        assert question.choices == (KEEP, CHANGE)
        for text in ("high (2)", "off (0)", "low (1)", "rule for mode"):
            assert text in question.text

    @pytest.mark.parametrize(
        ("answer", "after", "verdict"),
        [(KEEP, "02035a77", FieldVerdict.KEPT), (CHANGE, "01035a77", FieldVerdict.APPLIED)],
    )
    def test_the_answer_decides(self, answer: str, after: str, verdict: FieldVerdict) -> None:
        result = run("02 03 5A 77", OLD, NEW, answers=(("lighting-3001-mode", answer),))
        assert result.after.hex() == after
        assert find_edit(result, "mode").verdict is verdict
        assert result.questions[0].chosen == answer

    def test_an_answer_that_is_none_is_refused(self) -> None:
        with pytest.raises(InputError, match="'keep' and 'change'"):
            run("02 03 5A 77", OLD, NEW, answers=(("lighting-3001-mode", "maybe"),))


def test_case_4_new_value_already_there() -> None:
    result = run("01 03 5A 77", OLD, NEW)
    assert result.after.hex() == "01035a77"
    assert find_edit(result, "mode").verdict is FieldVerdict.ALREADY
    assert result.questions == ()


def test_case_5_a_value_that_is_now_derived_is_no_customisation_any_more() -> None:
    result = run("01 05 5A 77", {"mode": 0, "taps": 3}, {"mode": 1, "taps": 5})
    assert result.customised == ()
    assert "now derived" in find_edit(result, "taps").reason


def test_case_6_base_unknown_asks_only_where_the_new_value_differs() -> None:
    result = run("00 03 5A 77", {"mode": None, "taps": None}, NEW)
    assert [each.id for each in result.questions] == ["lighting-3001-mode"]
    assert find_edit(result, "taps").verdict is FieldVerdict.ALREADY


class TestCase7TargetUnknown:
    def test_the_value_stays_and_is_listed_as_unverified(self) -> None:
        result = run("00 03 5A 77", OLD, {"mode": None, "taps": 3})
        assert result.after.hex() == "00035a77"
        assert find_edit(result, "mode").verdict is FieldVerdict.UNVERIFIED
        assert "field-unverified" in list_ids(result)

    def test_no_question_where_no_rule_changes_it(self) -> None:
        undecided = DerivedValue(name="mode", raw=None, possible=(0, 1), reason="software")
        given = MergeInput(
            unit=UnitId("lighting"),
            identifier=DataIdentifier(0x3001),
            record="Rear lamps",
            layout_before=LAYOUT,
            layout_after=LAYOUT,
            base=(undecided,),
            current=bytes.fromhex("00035a77"),
            target=(undecided,),
        )
        result = merge(given)
        assert find_edit(result, "mode").verdict is FieldVerdict.UNCHANGED
        assert "field-unverified" not in list_ids(result)


class TestCase8RulesDisagree:
    PEERS = PeerEvidence(
        rivals=(
            RivalRule(name="mode", base=0, target=0, votes=120, rule="fog lamp"),
            RivalRule(name="mode", base=0, target=2, votes=140, rule="tow & led"),
        )
    )

    def test_the_owner_sees_the_votes(self) -> None:
        result = run("00 03 5A 77", OLD, NEW, peers=self.PEERS)
        assert result.after.hex() == "00035a77"
        text = result.questions[0].text
        assert text.index("tow & led (140 cars)") < text.index("fog lamp (120 cars)")

    def test_rules_that_agree_about_the_change_need_no_question(self) -> None:
        peers = PeerEvidence(
            rivals=(RivalRule(name="mode", base=0, target=1, votes=9, rule="tow"),)
        )
        assert run("00 03 5A 77", OLD, NEW, peers=peers).questions == ()


class TestCase9ValueOutsideTheTable:
    def test_an_unknown_new_value_is_asked_about_never_written(self) -> None:
        result = run("00 03 5A 77", OLD, {"mode": 7, "taps": 3})
        assert result.after.hex() == "00035a77"
        assert "known values" in result.questions[0].text

    def test_an_unknown_value_in_the_car_is_kept_and_told(self) -> None:
        result = run("09 03 5A 77", OLD, OLD)
        assert result.after.hex() == "09035a77"
        assert "value-unknown" in list_ids(result)


class TestCase10LayoutChangesWithTheSoftware:
    MOVED = Layout(
        length_bytes=4,
        fields=(
            make_field("serial", 0, kind=FieldKind.PER_CAR),
            make_field("taps", 1, bit_length=4),
            make_field("mode", 3, choices=(*MODES[:1], Choice(raw=5, name="high"))),
        ),
    )

    def test_fields_are_carried_by_name(self) -> None:
        result = run(
            "02 07 5A 77", {"mode": 2, "taps": 3}, {"mode": 5, "taps": 3}, layout_after=self.MOVED
        )
        assert result.after.hex() == "5a775a05"
        assert find_edit(result, "taps").verdict is FieldVerdict.KEPT
        assert find_edit(result, "mode").verdict is FieldVerdict.UNCHANGED

    def test_a_customised_value_without_counterpart_is_asked_about(self) -> None:
        result = run(
            "01 03 5A 77", {"mode": 0, "taps": 3}, {"mode": 5, "taps": 3}, layout_after=self.MOVED
        )
        (question,) = result.questions
        assert question.choices == (CHANGE,)
        assert "does not fit the new layout" in question.text

    def test_a_derived_value_without_counterpart_is_replaced(self) -> None:
        result = run(
            "01 03 5A 77", {"mode": 1, "taps": 3}, {"mode": 5, "taps": 3}, layout_after=self.MOVED
        )
        assert find_edit(result, "mode").verdict is FieldVerdict.APPLIED
        assert result.questions == ()

    def test_a_number_too_large_for_the_new_field_is_asked_about(self) -> None:
        result = run(
            "02 20 5A 77", {"mode": 2, "taps": 3}, {"mode": 5, "taps": 3}, layout_after=self.MOVED
        )
        assert [each.id for each in result.questions] == ["lighting-3001-taps"]

    def test_without_a_new_value_it_stays_open_and_is_told(self) -> None:
        result = run(
            "01 03 5A 77",
            {"mode": 1, "taps": 3},
            {"mode": None, "taps": 3},
            layout_after=self.MOVED,
        )
        edit = find_edit(result, "mode")
        assert (edit.result, edit.verdict) == (None, FieldVerdict.UNVERIFIED)


class TestCase11LengthChanges:
    LONGER = Layout(length_bytes=6, fields=(*LAYOUT.fields, make_field("glow", 4)))
    SHORTER = Layout(length_bytes=2, fields=LAYOUT.fields[:1])

    def test_a_longer_record_takes_new_derived_values(self) -> None:
        result = run("00 03 5A 77", OLD, {**OLD, "glow": 9}, layout_after=self.LONGER)
        assert result.after.hex() == "00035a770900"
        assert find_edit(result, "glow").verdict is FieldVerdict.APPLIED
        assert "record-longer" in list_ids(result)

    def test_the_rest_comes_from_most_other_cars(self) -> None:
        peers = PeerEvidence(usual=bytes.fromhex("00030000AABB"))
        result = run(
            "00 03 5A 77", OLD, {**OLD, "glow": None}, layout_after=self.LONGER, peers=peers
        )
        assert result.after.hex() == "00035a77aabb"
        finding = next(each for each in result.findings if each.id == "record-longer")
        assert "most cars" in finding.why

    def test_a_shorter_record_lists_what_is_lost(self) -> None:
        result = run("00 05 5A 77", OLD, {"mode": 0}, layout_after=self.SHORTER)
        assert result.after.hex() == "0005"
        finding = next(each for each in result.findings if each.id == "fields-lost")
        assert finding.evidence == ("Taps: 5, the owner's own value", "Serial: 90")

    def test_a_record_longer_than_its_layout_keeps_its_end(self) -> None:
        result = run("00 03 5A 77 FE", OLD, NEW)
        assert result.after.hex() == "01035a77fe"
        assert "record-too-long" in list_ids(result)

    def test_a_record_shorter_than_its_layout_is_not_written(self) -> None:
        result = run("00 03 5A", OLD, NEW)
        assert result.blocked
        assert result.after.hex() == "00035a"


class TestCase12DonorsOwnValues:
    def test_none_is_carried_over_silently(self) -> None:
        result = run("02 05 5A 77", {"mode": 2, "taps": 3}, NEW, origin=Origin.DONOR)
        assert result.after.hex() == "01035a77"
        assert result.questions == ()
        finding = next(each for each in result.findings if each.id == "donor-values")
        assert finding.evidence == ("Mode: high (2) becomes low (1)", "Taps: 5 becomes 3")
        assert "its owner's own value 5" in find_edit(result, "taps").reason

    def test_without_the_donors_list_the_same(self) -> None:
        result = run("02 05 5A 77", {"mode": None, "taps": None}, NEW, origin=Origin.DONOR)
        assert result.after.hex() == "01035a77"

    def test_a_module_that_fits_already_needs_no_word(self) -> None:
        result = run("01 03 5A 00", {"mode": 1, "taps": 3}, NEW, origin=Origin.DONOR)
        assert result.findings == ()

    def test_what_has_to_stay_is_said_aloud(self) -> None:
        result = run(
            "02 05 5A 77",
            {"mode": 2, "taps": None},
            {"mode": 1, "taps": None},
            origin=Origin.DONOR,
        )
        finding = next(each for each in result.findings if each.id == "donor-values")
        assert finding.severity is Severity.WARNING
        assert "Taps: 5 stays" in finding.evidence

    def test_the_modules_own_serial_stays(self) -> None:
        result = run("02 05 5A 77", {"mode": 2}, NEW, origin=Origin.DONOR)
        assert result.after[2] == 0x5A

    def test_unknown_bytes_of_the_donor_are_told(self) -> None:
        result = run("02 05 5A 77", {"mode": 2}, NEW, origin=Origin.DONOR)
        finding = next(each for each in result.findings if each.id == "unknown-bytes-kept")
        assert finding.evidence == ("byte 3: 77",)


class TestCase14ChecksumWrongAlready:
    CHECKSUM = Checksum(algorithm="crc8-sae-j1850", byte=3, first_byte=0, last_byte=2)
    SUMMED = replace(LAYOUT, checksum=CHECKSUM)

    def test_nothing_is_written_before_it_is_restored(self) -> None:
        result = run("00 03 5A 00", OLD, NEW, layout_before=self.SUMMED, layout_after=self.SUMMED)
        assert result.blocked
        assert result.after.hex() == "00035a00"
        assert result.findings[0].id == "checksum-wrong"
        assert "Restore the record first" in result.findings[0].next_step

    def test_a_right_one_is_computed_anew_at_the_end(self) -> None:
        current = write_checksum(self.CHECKSUM, bytes.fromhex("00035A00"))
        result = run(current.hex(), OLD, NEW, layout_before=self.SUMMED, layout_after=self.SUMMED)
        assert is_checksum_right(self.CHECKSUM, result.after)
        assert result.after[:3].hex() == "01035a"
        edit = find_edit(result, "checksum")
        assert (edit.verdict, edit.current) == (FieldVerdict.RECOMPUTED, current[3])

    def test_an_unknown_algorithm_is_never_written(self) -> None:
        odd = replace(LAYOUT, checksum=replace(self.CHECKSUM, algorithm="house-made"))
        result = run("00 03 5A 00", OLD, NEW, layout_before=odd, layout_after=odd)
        assert result.blocked
        assert result.findings[0].id == "checksum-unknown"

    def test_a_checksum_that_reaches_beyond_the_record_blocks(self) -> None:
        odd = replace(LAYOUT, checksum=replace(self.CHECKSUM, last_byte=9))
        result = run("00 03 5A 00", OLD, NEW, layout_before=odd, layout_after=odd)
        assert result.findings[0].id == "checksum-misplaced"

    def test_a_checksum_that_comes_with_the_new_layout_is_a_doubt(self) -> None:
        result = run("00 03 5A 00", OLD, NEW, layout_after=self.SUMMED)
        assert "checksum-not-proved" in list_ids(result)
        assert is_checksum_right(self.CHECKSUM, result.after)


class TestCase15BytesOfAnOlderSoftware:
    def make_record(self) -> ConfigurationRecord:
        def derived(name: str, byte: int, *rules: tuple[str, int]) -> Field:
            return make_field(
                name,
                byte,
                rules=tuple(DerivationRule(condition=parse_condition(c), raw=r) for c, r in rules),
            )

        return ConfigurationRecord(
            name="Rear lamps",
            identifier=DataIdentifier(0x3001),
            layouts=(
                Layout(
                    length_bytes=4,
                    fields=tuple(
                        derived(f"f{byte}", byte, ("software >= 3.0", 8), ("always", 1))
                        for byte in range(4)
                    ),
                ),
            ),
        )

    def facts(self, software: str) -> Facts:
        return Facts(
            options=frozenset(),
            month=BuildMonth.parse("2021-07"),
            software=SoftwareVersion.parse(software),
        )

    def test_a_stale_version_is_suspected(self) -> None:
        finding = suspect_software_version(
            self.make_record(), self.facts("3.1"), bytes.fromhex("01010108"), "lighting"
        )
        assert finding is not None
        assert "software from 0 on" in finding.what
        assert "contradicts 3 fields, the other one 1" in finding.why

    def test_no_layout_fits_the_length(self) -> None:
        record = self.make_record()
        assert suspect_software_version(record, self.facts("3.1"), bytes(9), "") is None

    def test_thresholds_are_found_inside_conditions(self) -> None:
        rules = (("(tow | software >= 5.0) & !(software < 4.0)", 2), ("always", 1))
        field = make_field(
            "f",
            0,
            rules=tuple(DerivationRule(condition=parse_condition(c), raw=r) for c, r in rules),
        )
        fields = tuple(replace(field, name=f"f{n}", first_bit=8 * n + 7) for n in range(4))
        record = replace(self.make_record(), layouts=(Layout(length_bytes=4, fields=fields),))
        finding = suspect_software_version(
            record, self.facts("1.0"), bytes.fromhex("02020202"), ""
        )
        assert finding is not None
        assert "software from 5.0 on" in finding.what

    def test_a_few_customised_fields_are_no_reason(self) -> None:
        record = self.make_record()
        assert (
            suspect_software_version(record, self.facts("3.1"), bytes.fromhex("08080801"), "")
            is None
        )
        assert (
            suspect_software_version(record, self.facts("3.1"), bytes.fromhex("08080505"), "")
            is None
        )


def test_case_16_counters_and_learnt_values_always_stay() -> None:
    result = run("00 03 5A 77", OLD, {**NEW, "serial": 1})
    assert result.after[2] == 0x5A
    assert find_edit(result, "serial").verdict is FieldVerdict.UNCHANGED


def test_case_17_a_popular_change_is_called_so() -> None:
    peers = PeerEvidence(shares=(PeerShare(name="taps", raw=5, share=0.21),))
    result = run("00 05 5A 77", OLD, NEW, peers=peers)
    assert "21% of the cars" in find_edit(result, "taps").reason
    rare = PeerEvidence(shares=(PeerShare(name="taps", raw=5, share=0.05),))
    assert "popular" not in find_edit(run("00 05 5A 77", OLD, NEW, peers=rare), "taps").reason


def test_case_18_options_that_no_rule_mentions_are_told() -> None:
    record = ConfigurationRecord(
        name="Rear lamps",
        identifier=DataIdentifier(0x3001),
        layouts=(
            Layout(
                length_bytes=1,
                fields=(
                    make_field(
                        "mode", 0, rules=(DerivationRule(condition=parse_condition("tow"), raw=1),)
                    ),
                ),
            ),
        ),
    )
    finding = find_unmentioned([OptionName("tow"), OptionName("carpet")], [record])
    assert finding is not None
    assert finding.evidence == ("carpet",)
    assert find_unmentioned([OptionName("tow")], [record]) is None


class TestCase19FixedFields:
    FIXED = Layout(
        length_bytes=4,
        fields=(make_field("variant", 0, kind=FieldKind.FIXED), *LAYOUT.fields[1:]),
    )

    def test_a_differing_one_is_reported_and_stays(self) -> None:
        result = run(
            "07 03 5A 77",
            {"variant": 0, "taps": 3},
            {"variant": 0, "taps": 3},
            layout_before=self.FIXED,
            layout_after=self.FIXED,
        )
        assert result.after.hex() == "07035a77"
        finding = next(each for each in result.findings if each.id == "fixed-field-differs")
        assert finding.evidence == ("Variant: 7, the pack says 0",)

    def test_a_record_that_cannot_be_written_blocks_only_where_it_would_change(self) -> None:
        assert run("00 03 5A 77", OLD, NEW, writable=False).blocked
        assert not run("00 03 5A 77", OLD, OLD, writable=False).blocked


def test_case_20_odd_bytes_outside_the_known_fields_are_kept_and_mentioned() -> None:
    peers = PeerEvidence(usual=bytes.fromhex("00030000"))
    result = run("00 03 5A 77", OLD, NEW, peers=peers)
    assert result.after[3] == 0x77
    finding = next(each for each in result.findings if each.id == "unknown-bytes-kept")
    assert finding.evidence == ("byte 3: 77",)


def test_physical_values_are_carried_and_shown() -> None:
    old = Layout(
        length_bytes=1, fields=(make_field("gap", 0, scale=Scale(factor=1, offset=0, unit="cm")),)
    )
    new = Layout(
        length_bytes=1, fields=(make_field("gap", 0, scale=Scale(factor=5, offset=0, unit="cm")),)
    )
    result = run("96", {"gap": 100}, {"gap": 20}, layout_before=old, layout_after=new)
    assert result.after.hex() == "1e"
    assert "100 cm (20)" in find_edit(result, "gap").reason
