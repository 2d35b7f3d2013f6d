"""``donorfit faults explain``: the fewest causes behind a list of fault codes."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from donorfit.cli.answers import print_json, print_text
from donorfit.cli.columns import count
from donorfit.cli.fault_lists import (
    find_doubts,
    job_option,
    json_option,
    list_argument,
    load_basis,
    pack_option,
    read_list,
    say_doubts,
    say_rubbish,
)
from donorfit.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Iterable

    from donorfit.faults import ActiveCause, CandidateCause, FaultExplanation
    from donorfit.vehicle.fault import Cause
    from donorfit.vehicle.pack import Pack

_SHOWN_TIES = 8
_SHOWN_CODES = 12
_SHOWN_CHECKS = 3


@click.command("explain")
@list_argument
@pack_option
@job_option
@click.option("--found", multiple=True, metavar="KIND[:SUBJECT]", help="A cause seen at work.")
@click.option("--rule-out", multiple=True, metavar="KIND[:SUBJECT]", help="A cause ruled out.")
@json_option
def explain_command(
    list_path: Path,
    pack_path: Path | None,
    job_path: Path | None,
    found: tuple[str, ...],
    rule_out: tuple[str, ...],
    *,
    as_json: bool,
) -> None:
    """The fewest causes that explain a list, all ties, and the check that tells them apart.

    KIND is unit-not-declared, configuration-disagrees, message-missing, supply-low,
    another-cars-vin, ring-break or the-part-itself.
    """
    from donorfit.faults import explain_faults, has_failed, is_proved_passed  # noqa: PLC0415
    from donorfit.faults.lists import read_fault_list  # noqa: PLC0415

    basis = load_basis(pack_path, job_path)
    if basis.pack is None:
        raise InputError(
            what="Without a pack nothing is known of causes.",
            where="--pack",
            next_step="Give --pack PACK, or --job JOB.",
        )
    written, notes = read_list(list_path, basis)
    codes = [(u.unit, f) for u in written.to_surveys() for f in read_fault_list(u).faults]
    seen = [(unit, each.code) for unit, each in codes if has_failed(each.status)]
    passed = [
        (unit, each.code)
        for unit, each in codes
        if is_proved_passed(each.status) and not has_failed(each.status)
    ]
    answer = explain_faults(
        seen,
        passed,
        basis.pack.faults,
        active=[_make_active(_read_cause(each, "--found", basis.pack)) for each in found],
        excluded=[_read_cause(each, "--rule-out", basis.pack) for each in rule_out],
    )
    if as_json:
        print_json(
            "donorfit faults explain 1",
            explanation=answer,
            passed=[list(each) for each in passed],
            not_read=written.unread,
            notes=notes,
        )
        return
    _print_explanation(answer)
    say_rubbish(list_path, written, notes)
    say_doubts(each for each in find_doubts(written, basis) if each.id != "fault-unknown")
    untested = len(codes) - len(seen) - len(passed)
    click.echo(f"{count(len(seen), 'code')} seen, {len(passed)} passed, {untested} not tested.")


def _read_cause(text: str, option: str, pack: "Pack") -> "Cause":
    from donorfit.faults.explanation import name_causes  # noqa: PLC0415
    from donorfit.vehicle.fault import Cause, CauseKind  # noqa: PLC0415

    kinds = {kind.value.lower().replace("'", "").replace(" ", "-"): kind for kind in CauseKind}
    kind, _, subject = text.partition(":")
    if kind not in kinds:
        raise InputError(
            what=f"{kind!r} is no kind of cause.",
            where=option,
            next_step=f"Give one of {', '.join(kinds)}.",
        )
    cause = Cause(kind=kinds[kind], subject=subject)
    known = name_causes(pack.faults)
    if cause not in known:
        subjects = sorted(each.subject for each in known if each.kind is cause.kind)
        raise InputError(
            what=f"The pack names no such cause: {text}.",
            where=option,
            why=f"Of this kind it names {', '.join(filter(None, subjects)) or 'none by name'}.",
            next_step="Name one of these, spelt as here.",
        )
    return cause


def _make_active(cause: "Cause") -> "ActiveCause":
    from donorfit.faults import ActiveCause  # noqa: PLC0415

    return ActiveCause(
        kind=cause.kind,
        subjects=frozenset((cause.subject,)) if cause.subject else frozenset(),
        text=f"{cause.kind.value} {cause.subject}".strip() + " (found)",
    )


def _print_explanation(found: "FaultExplanation") -> None:
    for number, group in enumerate(found.groups, 1):
        best = group.explanations[0]
        causes, codes = count(len(best), "cause"), count(len(group.faults), "code")
        click.echo(f"{number}. {codes}, {causes}" + _word_ties(group.ties, proved=group.proved))
        common = [each for each in best if all(each in other for other in group.explanations)]
        for each in common:
            print_text(_word_cause(each), first="   - ")
        if group.ties > 1:
            click.echo("   and one of these, equally good:")
            for tie in group.explanations[:_SHOWN_TIES]:
                own = [_word_cause(each) for each in tie if each not in common]
                print_text("; and ".join(own), first="   o ")
            more = group.ties - min(len(group.explanations), _SHOWN_TIES)
            if more > 0:
                click.echo(f"   and {more} more")
        for check in group.checks[:_SHOWN_CHECKS]:
            share = f"true in {check.holds_in} of {check.of}, tells {check.gain_bits:.2f} bit"
            print_text(f"{check.text} ({share})", first="   next: ")
    if found.unexplained:
        print_text(_word_codes(found.unexplained), first="no known cause: ")


def _word_ties(ties: int, *, proved: bool) -> str:
    if not proved:
        return f" (the search was cut off; at least {ties} as good)"
    return f" ({ties} equally good explanations)" if ties > 1 else ""


def _word_cause(cause: "CandidateCause") -> str:
    text = f"{cause.text}: {_word_codes(cause.explains)}"
    if cause.speaks_against:
        text = f"{text}; against it: {_word_codes(cause.speaks_against)} passed"
    return text


def _word_codes(keys: "Iterable[Any]") -> str:
    from donorfit.vehicle.fault_code import write_fault_code  # noqa: PLC0415

    everything = list(keys)
    said = [f"{write_fault_code(code)} ({unit})" for unit, code in everything[:_SHOWN_CODES]]
    more = len(everything) - len(said)
    return ", ".join(said) + (f" and {more} more" if more else "")
