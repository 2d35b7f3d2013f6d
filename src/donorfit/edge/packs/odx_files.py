"""Importing control units from an ODX data set (ISO 22901-1) through odxtools, an optional extra.

Every control unit variant becomes a :class:`~donorfit.simulator.described.DescribedUnit`. What
cannot be used is left out and named in the notes.
"""

import zipfile
from pathlib import Path
from typing import Any

from donorfit.diagnostics.negative_response import NEGATIVE_RESPONSE_BYTES, Nrc
from donorfit.edge.packs.odx_answers import build_answer, find_fixed_bits
from donorfit.errors import InputError
from donorfit.simulator.described import DescribedService, DescribedUnit, DescribedUnits
from donorfit.vehicle.identity import Address, UnitId

FIRST_ADDRESS = 0x1001
"""Given to the first unit whose data set names no logical address, the next ones follow."""
MAX_FILES = 2_000
MAX_UNPACKED_BYTES = 200_000_000
LONGEST_REQUEST_BYTES = 4_095
_MOST_ADDRESS = 0xFFFF
_FORBIDDEN = (b"<!DOCTYPE", b"<!ENTITY")
_SESSION_SEMANTIC = "SESSION"


def import_odx(path: Path) -> DescribedUnits:
    """Read a PDX container or a single ODX-D file.

    Raises:
        InputError: odxtools is not installed, the file cannot be read, or it describes no control
            unit with a service that can be served.
    """
    try:
        import odxtools  # noqa: PLC0415 - an optional extra, and slow to load
    except ImportError as error:
        raise InputError(
            what="ODX data sets need the extra 'odx'",
            where=str(path),
            why="the package odxtools is not installed",
            next_step="install it with: pip install 'donorfit[odx]'",
        ) from error
    _check_file(path)
    try:
        if zipfile.is_zipfile(path):
            database = odxtools.load_pdx_file(str(path))
        else:
            # older releases know only load_odx_d_file
            read = getattr(odxtools, "load_odx_file", None) or odxtools.load_odx_d_file
            database = read(str(path))
        return _describe(database, path)
    except InputError:
        raise
    except Exception as error:
        # odxtools raises what it happens to meet: KeyError, assertions, its own and XML's errors
        raise _unusable(path, f"{type(error).__name__}: {error}") from error


def _unusable(path: Path, why: str) -> InputError:
    return InputError(
        what="the ODX data set cannot be used",
        where=str(path),
        why=why[:500],
        next_step="check that it is a complete PDX container or ODX-D file",
    )


def _check_file(path: Path) -> None:
    """Bound what is unpacked, and refuse XML that declares entities of its own."""
    try:
        if not zipfile.is_zipfile(path):
            with path.open("rb") as file:
                _check_xml(path, path.name, file.read(MAX_UNPACKED_BYTES + 1))
            return
        with zipfile.ZipFile(path) as container:
            members = container.infolist()
            # a member never yields more bytes than the size in its header
            unpacked_bytes = sum(each.file_size for each in members)
            if len(members) > MAX_FILES or unpacked_bytes > MAX_UNPACKED_BYTES:
                raise _unusable(path, f"{len(members)} files with {unpacked_bytes} bytes")
            for each in members:
                if each.filename.lower().endswith((".xml", ".odx")) or ".odx-" in each.filename:
                    _check_xml(path, each.filename, container.read(each))
    except (OSError, zipfile.BadZipFile, NotImplementedError, RuntimeError) as error:
        raise _unusable(path, str(error)) from error


def _check_xml(path: Path, name: str, raw: bytes) -> None:
    if len(raw) > MAX_UNPACKED_BYTES:
        raise _unusable(path, f"{name} has more than {MAX_UNPACKED_BYTES} bytes")
    if any(each in raw for each in _FORBIDDEN):
        raise _unusable(path, f"{name} declares entities of its own")


def _describe(database: Any, path: Path) -> DescribedUnits:
    units: list[DescribedUnit] = []
    notes: list[str] = []
    taken: set[int] = set()
    for layer in database.ecus:
        services, left_out = _describe_services(layer)
        notes += left_out
        if not services:
            notes.append(f"{layer.short_name}: no service that can be served")
            continue
        address = _find_address(layer, taken)
        taken.add(address)
        units.append(
            DescribedUnit(
                id=UnitId(layer.short_name),
                address=Address(address),
                services=services,
                charts=_describe_charts(layer),
            )
        )
    if not units:
        raise _unusable(path, "it describes no control unit with a service that can be served")
    return DescribedUnits(
        title=str(database.short_name or path.name), units=tuple(units), notes=tuple(notes)
    )


def _find_address(layer: Any, taken: set[int]) -> int:
    """The DoIP logical address of a unit, or the next free one where it names none."""
    described = layer.get_doip_logical_ecu_address()
    if described is not None and 0 < described <= _MOST_ADDRESS and described not in taken:
        return int(described)
    address = FIRST_ADDRESS
    while address in taken:
        address += 1
    return address


def _describe_charts(layer: Any) -> tuple[tuple[str, str, bool], ...]:
    return tuple(
        (
            chart.short_name,
            chart.start_state_snref,
            str(chart.semantic).upper() == _SESSION_SEMANTIC,
        )
        for chart in layer.state_charts
    )


def _describe_services(layer: Any) -> tuple[tuple[DescribedService, ...], list[str]]:
    services: list[DescribedService] = []
    notes: list[str] = []
    for service in layer.services:
        try:
            described, unfit = _describe_service(layer, service)
        except Exception as error:  # noqa: BLE001 - as above; one odd service spoils no other
            described, unfit = None, f"{type(error).__name__}: {error}"
        if described is not None:
            services.append(described)
        if unfit:
            notes.append(f"{layer.short_name}.{service.short_name}: {unfit}"[:300])
    # services with more fixed bits are tried first
    services.sort(key=lambda each: -sum(value.bit_count() for value in each.mask))
    return tuple(services), notes


def _describe_service(layer: Any, service: Any) -> tuple[DescribedService | None, str]:
    """The service, and what of it cannot be served."""
    if service.request is None:
        return None, "it has no request"
    request, mask = find_fixed_bits(service.request)
    if not mask or mask[0] != 0xFF:  # noqa: PLR2004 - all eight bits
        return None, "its request does not start with a service identifier"
    bits = service.request.get_static_bit_length()
    answer, echoes, unfit = build_answer(service.positive_responses, request)
    refusal = _say_conditions_not_correct(build_answer(service.negative_responses, request)[0])
    return (
        DescribedService(
            name=service.short_name,
            request=request,
            mask=mask,
            longest_bytes=LONGEST_REQUEST_BYTES if bits is None else (bits + 7) // 8,
            answer=answer,
            echoes=echoes,
            refusal=refusal,
            needs=_list_needs(layer, service),
            moves=_list_moves(layer, service),
        ),
        unfit,
    )


def _say_conditions_not_correct(refusal: bytes) -> bytes:
    """A described negative answer with the code that fits a missing state."""
    if refusal[:1] != b"\x7f" or len(refusal) < NEGATIVE_RESPONSE_BYTES:
        return b""
    return refusal[:2] + bytes((Nrc.CONDITIONS_NOT_CORRECT,)) + refusal[3:]


def _list_needs(layer: Any, service: Any) -> tuple[tuple[str, str], ...]:
    wanted = {str(ref.ref_id) for ref in service.pre_condition_state_refs}
    return tuple(
        (chart.short_name, state.short_name)
        for chart in layer.state_charts
        for state in chart.states
        if state.odx_id.local_id in wanted
    )


def _list_moves(layer: Any, service: Any) -> tuple[tuple[str, str, str], ...]:
    wanted = {str(ref.ref_id) for ref in service.state_transition_refs}
    return tuple(
        (chart.short_name, move.source_snref, move.target_snref)
        for chart in layer.state_charts
        for move in chart.state_transitions
        if move.odx_id.local_id in wanted
    )
