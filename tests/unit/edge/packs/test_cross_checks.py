"""Every cross check of a pack: one mistake put in, told once, with its file and line."""

from pathlib import Path

import pytest

from donorfit.edge.packs import load_pack, read_pack

FIELD = """[[unit.record.layout.field]]
name = "{name}"
title = "T"
first_bit = {first}
bit_length = {bits}
rules = [{{ value = {value} }}]
"""
U, M, O, N, D = "units.toml", "more.toml", "options.uvl", "networks.toml", "modules.toml"  # noqa: E741

CASES = [
    # identification
    (U, "address = 0x1020", "address = 0x1010", "16", "same address 0x1010"),
    (U, 'id = "hook_unit"', 'id = "gateway"', "", "two units 'gateway'"),
    ("pack.toml", "gateway = 0x1010", "gateway = 0x1011", "8", "gateway's address 0x1011"),
    (U, 'network = "can"\npresent', 'network = "cam"\npresent', "17", "no network 'cam'"),
    (U, 'present_option = "hook"', 'present_option = "hok"', "18", "no option 'hok'"),
    (U, '["K1", "K2"]', '["K1", "K1", "K2"]', "19", "hardware number 'K1' is there twice"),
    (U, "identifier = 0x0601", "identifier = 0xF190", "31", "share 0xF190"),
    # CAN identifiers: the table goes in front of the unit's first record
    (U, "[[unit.record]]", "[unit.can]\nrequest = 0x800\nresponse = 1\n\n[[unit.record]]",
     "", "0x800 has more than 11 bits"),
    (U, "[[unit.record]]", "[unit.can]\nrequest = 1\nresponse = 1\n\n[[unit.record]]",
     "", "identifier 0x1 is the request of"),
    (U, "[[unit.record]]",
     "[unit.can]\nrequest = 1\nresponse = 2\nrequest_byte = 3\n\n[[unit.record]]",
     "", "needs request_byte and response_byte"),
    # options and keepers
    (O, "code 'H002'", "code 'H001'", "7", "both have the code H001"),
    (O, "bit 1,", "bit 0,", "7", "both have the bit 0"),
    (O, "code 'H002'", "code 'h2'", "7", "no code of four capitals"),
    (O, "code 'H002', ", "", "7", "horn has no code"),
    (O, "bit 1, ", "", "7", "horn has no bit"),
    (O, "bit 1,", "bit 16,", "7", "bit 16 lies outside"),
    (O, "valid_from '2021-07'", "valid_from '2025-07'", "7", "outside the family's months"),
    (O, "build_month < 202001", "build_month < 201001", "14", "outside the family's months"),
    (O, "horn => hook", "horn => hock", "13", "hock"),
    (O, "namespace Small", "namespace Small\nimports\n    other.file as o", "3", "stand in one file"),
    (M, 'role = "copy"', 'role = "master"', "28", "second unit keeps the master"),
    (U, 'role = "master"', 'role = "copy"', "", "no unit keeps the master"),
    ("pack.toml", '"2024-01"', '"2018-01"', "6", "ends before it begins"),
    # software
    (U, "size_bytes = 1024", "size_bytes = 1023", "25", "has 1024 bytes, not 1023"),
    (U, 'file = "hook.bin"', 'file = "hok.bin"', "22", "software/hok.bin is missing"),
    (U, 'hardware = ["K2"]', 'hardware = ["K3"]', "26", "no hardware 'K3'"),
    (U, "seconds = 5\n", "seconds = 5\nsegments = [{address = 0x100, size_bytes = 1000}]\n",
     "29", "the segments have 1000 bytes, size_bytes says 1024"),
    (U, "seconds = 5\n",
     "seconds = 5\nsegments = [{address = 0x101, size_bytes = 1000}, {address = 0, size_bytes = 24}]\n",
     "29", "the first segment is at 0x101, not at memory_address"),
    (U, "seconds = 5\n",
     "seconds = 5\nsegments = [{address = 0x100, size_bytes = 1000}, {address = 0x4E7, size_bytes = 24}]\n",
     "29", "segments overlap at 0x4E7"),
    (U, "seconds = 5\n", "seconds = 5\naddress_bytes = 1\n", "24", "more than 1 address bytes"),
    (U, "seconds = 5\n", "seconds = 5\nlength_bytes = 1\n", "24", "more than 1 length bytes"),
    (U, "seconds = 5\n", "seconds = 5\n[[unit.memory]]\naddress = 0x100\nsize_bytes = 1023\n",
     "24", "lie outside the unit's memory"),
    (U, "seconds = 5\n", "seconds = 5\nodx_session = 'a'\n", "29", "only an ODX-F file has sessions"),
    (U, "seconds = 5\n", "seconds = 5\nresumable = true\n", "29", "can be resumed"),
    (U, "seconds = 5\n", "seconds = 5\nfile_path = '/\u00e4'\n", "29", "no printable ASCII"),
    (U, "seconds = 5\n", "seconds = 5\ngood_status = '0'\n", "29", "no row of bytes"),
    (U, "memory_address = 0x100\n", "memory_address = 0x100\nspeed = 5\n", "25", "not known"),
    # safety
    (M, "writable = false\n", "", "", "writable, but a unit of the braking system"),
    (M, "writable = false\n", "writable = true\n", "10", "writable, but"),
    # layouts
    (U, "first_bit = 8\n", "first_bit = 6\n", "50", "overlaps the field 'hook'"),
    (U, "first_bit = 8\n", "first_bit = 20\n", "50", "overlaps the checksum"),
    (U, "first_bit = 8\n", "first_bit = 28\n", "50", "reaches beyond the record's 4 bytes"),
    (U, "{ no = 0, yes = 1 }", "{ no = 0, yes = 4 }", "41", "'yes' = 4 does not fit 0 to 3"),
    (U, "{ no = 0, yes = 1 }", "{ no = 1, yes = 1 }", "41", "are both 1"),
    (U, '"hook", value = "yes"', '"hook", value = "yess"', "44", "'yess', which is no choice"),
    (U, '"hook", value = "yes"', '"hook", value = 2', "44", "gives 2, which no choice names"),
    (U, "value = 100", "value = 5000", "55", "gives 5000, outside 0 to 4095"),
    (U, "factor = 0.5", "factor = 0.0", "53", "the factor is 0"),
    (U, 'software_from = "2.0"', 'software_from = "3.0"', "60", "no layout holds from 2.0 on"),
    (U, 'software_from = "2.0"', 'software_from = "1.0"', "60", "two layouts hold for 1.0"),
    (U, 'software_from = "2.0"', 'software_before = "9"', "", "two layouts hold"),
    (U, '"xor8"', '"xor9"', "35", "checksum 'xor9' is not known"),
    (U, "last_byte = 2", "last_byte = 7", "35", "beyond the record's 4 bytes"),
    (M, "{ no = 0, yes = 1 }", "{ off = 0, yes = 1 }", "19", "have other choices"),
    # rules of fields
    (U, '"hook", value', '"hoook", value', "44", "no option 'hoook'"),
    (U, '"horn & month >= 2021-07"', '"horn & month >= 2031-07"', "55", "2031-07 lies outside"),
    (U, '  { value = "no" },\n', '  { when = "!hook", value = "no" },\n  { value = "no" },\n',
     "46", "never reached"),
    (U, '  { value = "no" },\n', "", "44", "for some cars no rule holds"),
    (U, '  { when = "horn & month >= 2021-07", value = 100 },\n  { value = 50 },\n',
     '  { when = "always", value = 100 },\n  { value = 50 },\n', "56", "never reached"),
    (U, "first_bit = 8\n", 'first_bit = 8\nkind = "per car"\n', "55", "has rules"),
    # networks
    (N, 'messages = "can.dbc"', 'messages = "cam.dbc"', "5", "cam.dbc is missing"),
    (N, 'name = "ring"\nkind', 'name = "can"\nkind', "7", "two networks 'can'"),
    (N, 'target = "player"', 'target = "speaker"', "18", "the ring is not closed"),
    (N, 'source = "speaker"', 'source = "player"', "17", "the one before ends at speaker"),
    (N, 'master = "player"', 'master = "gateway"', "11", "'gateway' is not on it"),
    (N, 'source = "player"\ntarget = "speaker"', 'source = "player"\ntarget = "speakr"', "14",
     "no unit 'speakr'"),
    (M, "ring_position = 1", "ring_position = 2", "45", "at place 1 of the ring"),
    (M, "address = 0x1040\n", "address = 0x1040\nring_position = 2\n", "", "is not on 'ring'"),
    ("connectors.toml", "number = 2", "number = 1", "7", "cavity 1 is there twice"),
    ("connectors.toml", 'detail = "can"', 'detail = "cam"', "7", "no network 'cam'"),
    # modules
    (D, 'unit = "hook_unit"', 'unit = "hock_unit"', "4", "no unit 'hock_unit'"),
    (D, 'unit = "gateway"', 'unit = "gatway"', "14", "no unit 'gatway'"),
    (D, 'hardware = ["K2"]', 'hardware = ["K9"]', "5", "has no hardware 'K9'"),
    (D, 'options_on = ["hook"]', 'options_on = ["hok"]', "6", "no option 'hok'"),
    (D, 'options_off = ["soft"]', 'options_off = ["hook"]', "7", "must be declared and must not"),
    (D, 'month_from = "2020-01"', 'month_from = "2010-01"', "8", "outside the family's months"),
    (D, 'month_from = "2020-01"', 'month_from = "2023-05"', "9", "works in no month"),
    (D, '\nconnector = "plug"', '\nconnector = "plog"', "10", "no connector 'plog'"),
    (D, '"wiring"', '"wirring"', "12", "no caution 'wirring'"),
    (D, 'network = "can"', 'network = "cam"', "17", "no network 'cam'"),
    (D, '"speed_message"', '"sped_message"', "18", "carries no message 'sped_message'"),
    (D, 'signal = "speed"', 'signal = "sped"', "19", "no signal 'sped'"),
    # faults, session
    ("faults.toml", 'unit = "hook_unit"', 'unit = "hok_unit"', "2", "no unit 'hok_unit'"),
    ("faults.toml", '"speed_message"', '"sped"', "6", "nothing is called 'sped'"),
    ("faults.toml", "hook_unit/Set up", "hook_unit/Setup", "7", "'hook_unit/Setup'"),
    ("faults.toml", "U1234-87", "U4234-87", "3", "is no fault code"),
    ("session.toml", 'unit = "gateway"\nidentifier = 0xD020', 'unit = "gatway"\nidentifier = 1',
     "4", "no unit 'gatway'"),
    ("session.toml", "value = 0x02", "value = 0x04", "7", "bits that the mask leaves out"),
    ("session.toml", "identifier = 0xD020\n", "", "1", "data identifier to read is missing"),
    ("session.toml", 'id = "belt"', 'id = "ignition"', "9", "two wake conditions"),
    ("session.toml", "lowest_volts = 12.0", "lowest_volts = 16.0", "12", "not below the highest"),
]  # fmt: skip


@pytest.mark.parametrize("case", CASES, ids=[case[-1] for case in CASES])
def test_a_mistake_is_told_with_its_place(
    make_pack, list_mistakes, case: tuple[str, str, str, str, str]
) -> None:
    file, old, new, line, what = case
    path = make_pack((file, old, new))
    told = [str(each) for each in list_mistakes(path)]
    place = f"{path}/{file}:{line}: " if line else ""
    assert any(place in each and what in each for each in told), told


def test_the_small_pack_has_no_mistake_and_no_warning(make_pack) -> None:
    reading = load_pack(make_pack(), thorough=True)
    assert reading.warnings == ()
    pack = reading.pack
    assert [unit.id for unit in pack.units] == [
        "gateway", "hook_unit", "brake", "body", "player", "speaker",
    ]  # fmt: skip
    assert pack.option_codes == (
        ("hook", "H001"),
        ("horn", "H002"),
        ("loud", "S001"),
        ("soft", "S002"),
    )
    assert pack.option_bits == (("hook", 0), ("horn", 1), ("loud", 2), ("soft", 3))
    assert [each.name for each in pack.networks] == ["can", "ring"]
    assert pack.networks[0].messages[0].cycle_ms == 50
    assert pack.ring is not None
    assert [hop.length_m for hop in pack.ring.hops] == [2.0, 3.5]
    assert pack.supply is not None
    assert pack.wake_conditions[1].proof.value == "ask"
    assert pack.faults[0].code == 0xD23487
    assert str(pack.modules[0].month_from) == "2020-01"


def test_mistakes_of_all_files_come_together(make_pack, list_mistakes) -> None:
    path = make_pack(
        (O, "horn => hook", "horn => hock"),
        (U, "first_bit = 8\n", "first_bit = 28\n"),
        (D, 'options_on = ["hook"]', 'options_on = ["hok"]'),
        (M, 'title = "Body"', "title = 5"),
        (N, 'target = "player"', 'target = "speaker"'),
        ("faults.toml", "U1234-87", "X"),
        ("can.dbc", " SG_ speed : 0|16", " SG_ speed : 0|x16"),
        ("cautions.toml", '"2026-01-01"', '"yesterday"'),
    )
    files = {Path(each.file).name for each in list_mistakes(path)}
    assert files == {
        "options.uvl", "units.toml", "more.toml", "networks.toml", "faults.toml", "can.dbc",
        "cautions.toml", "modules.toml",
    }  # fmt: skip


def test_a_wrong_unit_does_not_make_its_name_unknown(make_pack, list_mistakes) -> None:
    path = make_pack((U, 'title = "Hook unit"', "title = 7"))
    told = list_mistakes(path)
    assert len(told) == 1, told
    assert "unit.1.title" in told[0].what


def test_a_wrong_field_does_not_hide_its_neighbours_mistake(make_pack, list_mistakes) -> None:
    path = make_pack(
        (U, "bit_length = 2", 'bit_length = "2"'), (U, "first_bit = 8\n", "first_bit = 30\n")
    )
    told = [each.what for each in list_mistakes(path)]
    assert any("field.0.bit_length" in each for each in told)
    assert any("'limit' reaches beyond" in each for each in told)
    assert len(told) == 2, told


def test_no_possible_car_is_a_mistake(make_pack, list_mistakes) -> None:
    path = make_pack(
        (O, "    horn => hook", "    Small => hook\n    hook => !Small\n    horn => hook")
    )
    told = list_mistakes(path, thorough=True)
    assert any("no car is possible" in each.what for each in told), told
    assert told[0].line


def test_an_option_of_no_car_is_a_warning(make_pack) -> None:
    path = make_pack((O, "    horn => hook", "    horn => hook\n    horn => !hook"))
    warnings = [str(each) for each in load_pack(path, thorough=True).warnings]
    assert any(f"{path}/options.uvl:7: horn is possible in no car" in each for each in warnings)


def test_doubts_are_warnings(make_pack) -> None:
    path = make_pack(
        ("stray.toml", "", "x = 1\n"),
        ("can.dbc", "BO_ 100 speed_message: 2 gateway", "BO_ 100 speed_message: 2 Vector__XXX"),
        (D, "longest_gap_ms = 200", "longest_gap_ms = 20"),
        (U, 'same_fact = "hook"', 'same_fact = "hok"'),
        (U, "length_bytes = 42", "length_bytes = 9"),
    )
    told = "\n".join(str(each) for each in load_pack(path).warnings)
    assert "stray.toml: nothing in the pack names this file" in told
    assert "speed_message comes every 50 ms, the module waits 20 ms" in told
    assert "only hook_unit.hook holds the fact 'hok'" in told
    assert "room for 1 codes, a car can have 3 options" in told


def test_the_rules_name_their_file_inside_the_pack(make_pack) -> None:
    """Records carry rule names, and must not depend on where the pack lies."""
    assert read_pack(make_pack()).rules.file == "options.uvl"


def test_a_huge_number_of_mistakes_is_bounded(make_pack, list_mistakes) -> None:
    wrong = "".join(f"[[caution]]\nid = {n}\n" for n in range(300))
    told = list_mistakes(make_pack(("cautions.toml", "", wrong)))
    assert len(told) == 200
