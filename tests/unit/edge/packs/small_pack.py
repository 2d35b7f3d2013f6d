"""A small, whole pack without a mistake, as texts, for tests that put one mistake in."""

from collections.abc import Mapping
from hashlib import sha256
from pathlib import Path

SOFTWARE = bytes(range(256)) * 4

FILES: Mapping[str, str] = {
    "pack.toml": """\
format = "donorfit pack 1"
id = "small"
title = "Small family"
version = "1"
family_from = "2018-01"
family_before = "2024-01"
wmi = ["ZZ9"]
gateway = 0x1010
[parts]
options = "options.uvl"
units = ["units.toml", "more.toml"]
networks = ["networks.toml"]
connectors = ["connectors.toml"]
faults = ["faults.toml"]
modules = ["modules.toml"]
session = ["session.toml"]
cautions = ["cautions.toml"]
""",
    "options.uvl": """\
namespace Small
features
    Small {abstract}
        optional
            Integer build_month
            hook {code 'H001', bit 0, class 'body'}
            horn {code 'H002', bit 1, class 'body', valid_from '2021-07'}
            Sound {abstract}
                alternative
                    loud {code 'S001', bit 2}
                    soft {code 'S002', bit 3}
constraints
    horn => hook
    build_month < 202001 => !loud
""",
    "units.toml": """\
[[unit]]
id = "gateway"
title = "Gateway"
address = 0x1010
network = "can"
hardware = ["G1"]
[unit.option_list]
role = "master"
identifier = 0x1001
encoding = "codes"
length_bytes = 42

[[unit]]
id = "hook_unit"
title = "Hook unit"
address = 0x1020
network = "can"
present_option = "hook"
hardware = ["K1", "K2"]
[[unit.software]]
version = "2.0"
file = "hook.bin"
sha256 = "@SHA"
memory_address = 0x100
size_bytes = 1024
hardware = ["K2"]
routine_check = 0x0202
seconds = 5
[[unit.record]]
name = "Set up"
identifier = 0x0601
[[unit.record.layout]]
length_bytes = 4
software_before = "2.0"
checksum = { algorithm = "xor8", byte = 3, first_byte = 0, last_byte = 2 }
[[unit.record.layout.field]]
name = "hook"
title = "Hook"
first_bit = 7
bit_length = 2
choices = { no = 0, yes = 1 }
same_fact = "hook"
rules = [
  { when = "hook", value = "yes" },
  { value = "no" },
]
[[unit.record.layout.field]]
name = "limit"
title = "Limit"
first_bit = 8
bit_length = 12
byte_order = "little"
scale = { factor = 0.5, unit = "A" }
rules = [
  { when = "horn & month >= 2021-07", value = 100 },
  { value = 50 },
]
[[unit.record.layout]]
length_bytes = 6
software_from = "2.0"
""",
    "more.toml": """\
[[unit]]
id = "brake"
title = "Brake"
address = 0x1030
network = "can"
system = "braking"
[[unit.record]]
name = "Brake"
identifier = 0x0602
writable = false
[[unit.record.layout]]
length_bytes = 1
[[unit.record.layout.field]]
name = "hook"
title = "Hook"
first_bit = 0
bit_length = 1
choices = { no = 0, yes = 1 }
same_fact = "hook"
rules = [{ when = "hook", value = "yes" }, { value = "no" }]

[[unit]]
id = "body"
title = "Body"
address = 0x1040
network = "can"
[unit.option_list]
role = "copy"
identifier = 0x1001
encoding = "bits"
length_bytes = 4

[[unit]]
id = "player"
title = "Player"
address = 0x1050
network = "ring"
ring_position = 0

[[unit]]
id = "speaker"
title = "Speaker"
address = 0x1051
network = "ring"
ring_position = 1
""",
    "networks.toml": """\
[[network]]
name = "can"
kind = "can"
bit_rate = 500_000
messages = "can.dbc"
[[network]]
name = "ring"
kind = "optical ring"
[[ring]]
name = "ring"
master = "player"
[[ring.hop]]
source = "player"
target = "speaker"
length_m = 2
[[ring.hop]]
source = "speaker"
target = "player"
length_m = 3.5
""",
    "can.dbc": """\
VERSION ""
NS_ :
BS_:
BU_: gateway hook_unit brake body

BO_ 100 speed_message: 2 gateway
 SG_ speed : 0|16@1+ (0.01,0) [0|655.35] "km/h" hook_unit

BA_DEF_ BO_ "GenMsgCycleTime" INT 0 65535;
BA_DEF_DEF_ "GenMsgCycleTime" 0;
BA_ "GenMsgCycleTime" BO_ 100 50;
""",
    "connectors.toml": """\
[[connector]]
id = "plug"
title = "Plug"
shape = "four"
cavity = [
  { number = 1, function = "supply", current_a = 5.0 },
  { number = 2, function = "can high", detail = "can" },
]
""",
    "faults.toml": """\
[[fault]]
unit = "hook_unit"
code = "U1234-87"
title = "No speed"
causes = [
  { kind = "message missing", subject = "speed_message" },
  { kind = "configuration disagrees", subject = "hook_unit/Set up" },
]
""",
    "modules.toml": """\
[[module]]
id = "hook_2"
title = "Hook unit, second"
unit = "hook_unit"
hardware = ["K2"]
options_on = ["hook"]
options_off = ["soft"]
month_from = "2020-01"
month_before = "2023-01"
connector = "plug"
host_connector = "plug"
cautions = ["wiring", "own"]
[[module.companion]]
unit = "gateway"
reason = "it passes the speed on"
[[module.signal]]
network = "can"
message = "speed_message"
signal = "speed"
longest_gap_ms = 200
effect = "nothing moves"
[[module.hand_check]]
id = "look"
text = "Look at it."
""",
    "session.toml": """\
[[wake_condition]]
id = "ignition"
text = "Ignition on."
unit = "gateway"
identifier = 0xD020
mask = 0x03
value = 0x02
[[wake_condition]]
id = "belt"
text = "Belt buckled."
[supply]
lowest_volts = 12.0
highest_volts = 15.0
unit = "gateway"
identifier = 0xD010
volts_per_bit = 0.001
base_current_a = 10.0
battery_ah = 70.0
""",
    "cautions.toml": """\
[[caution]]
id = "own"
text = "Something may happen."
jurisdictions = ["everywhere"]
source = "common practice, no source"
seen = "2026-01-01"
""",
}


def make_files() -> dict[str, bytes]:
    """Names and bytes of the whole pack."""
    files = {
        name: text.replace("@SHA", sha256(SOFTWARE).hexdigest()).encode()
        for name, text in FILES.items()
    }
    return {**files, "software/hook.bin": SOFTWARE}


def write_folder(folder: Path, files: Mapping[str, bytes]) -> Path:
    """Write a pack's files below a folder."""
    for name, data in files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
    return folder
