"""Configuration engine: what bytes follow from an option list, and how they are merged."""

from donorfit.configuration.checksums import (
    ALGORITHMS,
    compute_checksum,
    is_checksum_right,
    write_checksum,
)
from donorfit.configuration.derivation import DerivedValue, derive, derive_bytes
from donorfit.configuration.fields import (
    carry_value,
    describe_value,
    find_field,
    get_meaning,
    read_fields,
    write_fields,
)
from donorfit.configuration.list_checks import check_option_list, compare_option_lists
from donorfit.configuration.merge import merge
from donorfit.configuration.merge_values import (
    CHANGE,
    KEEP,
    MergeInput,
    MergeResult,
    Origin,
    PeerEvidence,
    PeerShare,
    RivalRule,
)
from donorfit.configuration.option_lists import (
    decode_option_list,
    encode_option_list,
    list_stored_options,
)
from donorfit.configuration.record_checks import (
    check_merged,
    find_unmentioned,
    suspect_software_version,
)
from donorfit.configuration.shared_facts import (
    LEAVE,
    FactAnswer,
    FactHolder,
    FactOverride,
    check_shared_facts,
)

__all__ = [
    "ALGORITHMS",
    "CHANGE",
    "KEEP",
    "LEAVE",
    "DerivedValue",
    "FactAnswer",
    "FactHolder",
    "FactOverride",
    "MergeInput",
    "MergeResult",
    "Origin",
    "PeerEvidence",
    "PeerShare",
    "RivalRule",
    "carry_value",
    "check_merged",
    "check_option_list",
    "check_shared_facts",
    "compare_option_lists",
    "compute_checksum",
    "decode_option_list",
    "derive",
    "derive_bytes",
    "describe_value",
    "encode_option_list",
    "find_field",
    "find_unmentioned",
    "get_meaning",
    "is_checksum_right",
    "list_stored_options",
    "merge",
    "read_fields",
    "suspect_software_version",
    "write_checksum",
    "write_fields",
]
