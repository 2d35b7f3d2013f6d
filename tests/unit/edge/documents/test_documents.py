"""Page and PDF hold the same record, alike each time, and no text of a person is ever obeyed."""

import builtins
import hashlib
import re
import shutil
import subprocess
from dataclasses import replace
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from donorfit.edge.documents import write_html, write_pdf
from donorfit.edge.documents.compose import compose
from donorfit.edge.documents.content import Picture, Table
from donorfit.edge.documents.glyphs import is_covered, put_boxes, spell_out
from donorfit.edge.documents.pdf_sheets import weigh_columns
from donorfit.errors import InputError
from donorfit.records.change_record import SupplyReading
from donorfit.records.finding import Severity
from donorfit.records.handover import RingMargin
from donorfit.records.plan import FieldVerdict
from donorfit.records.proof import FaultVerdict
from donorfit.stages.hand_over import hand_over

HOSTILE = (
    '<script>alert(1)</script><img src=x onerror=y> #panic("no") $x^2$ @ref *b* _i_ `raw` '
    '#read("/etc/passwd") \\ "); } ]] --> {{x}} \u6f22\u5b57 \u0639\u0631\u0628 \u202e \x1b[31m '
    + "verylongword"
    * 40
)
TIMEOUT_S = 60


class Tags(HTMLParser):
    """Tags, attributes, identifiers and the running text of a page."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str, str]] = []
        self.text = ""
        self.headings: list[tuple[int, str]] = []
        self._heading = 0
        self._hidden = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += [(tag, name, value or "") for name, value in attrs]
        self._hidden += tag == "style"
        if re.fullmatch("h[1-6]", tag):
            self._heading = int(tag[1])
            self.headings.append((self._heading, ""))

    def handle_endtag(self, tag: str) -> None:
        self._hidden -= tag == "style"
        if re.fullmatch("h[1-6]", tag):
            self._heading = 0

    def handle_data(self, data: str) -> None:
        if not self._hidden:
            self.text += f"{data} "
        if self._heading:
            level, said = self.headings[-1]
            self.headings[-1] = (level, said + data)


def read_page(page: bytes) -> Tags:
    tags = Tags()
    tags.feed(page.decode())
    return tags


@pytest.fixture(scope="module")
def handover(job: Any) -> Any:
    return make(job)


def make(job: Any, *, mask: bool = False, **other: Any) -> Any:
    names = ("pack", "survey", "bench", "report", "plan", "preparation", "change", "proof")
    return hand_over(*(other.get(name, getattr(job, name)) for name in names), mask=mask)


def make_hostile(job: Any) -> Any:
    """A hand-over in which every text that comes from outside is hostile."""
    handover = make(job)
    plan = handover.plan
    edit = replace(
        plan.edits[0],
        record=HOSTILE,
        fields=tuple(
            replace(each, title=HOSTILE, reason=HOSTILE) for each in plan.edits[0].fields
        ),
    )
    return replace(
        handover,
        title=HOSTILE,
        pack_title=HOSTILE,
        module_title=HOSTILE,
        report=replace(
            handover.report,
            lines=(
                replace(
                    handover.report.lines[0], title=HOSTILE, reason=HOSTILE, evidence=(HOSTILE,)
                ),
            ),
        ),
        plan=replace(
            plan,
            module=HOSTILE,
            vin=HOSTILE,
            month_reason=HOSTILE,
            edits=(edit,),
            wires=(replace(plan.wires[0], purpose=HOSTILE, note=HOSTILE),),
            cautions=(replace(plan.cautions[0], text=HOSTILE, jurisdictions=(HOSTILE,)),),
            steps=(replace(plan.steps[0], what=HOSTILE, unit=HOSTILE), *plan.steps[1:]),
            findings=(replace(plan.findings[0], what=HOSTILE, evidence=(HOSTILE,)),),
            questions=(replace(plan.questions[0], text=HOSTILE, chosen=HOSTILE),),
        ),
        change=replace(
            handover.change,
            steps=(replace(handover.change.steps[0], detail=HOSTILE), *handover.change.steps[1:]),
        ),
        proof=replace(
            handover.proof,
            proved_at=HOSTILE,
            faults=(replace(handover.proof.faults[0], title=HOSTILE, explanation=HOSTILE),),
            checks=(replace(handover.proof.checks[0], text=HOSTILE, answer=HOSTILE),),
        ),
        recipe=replace(handover.recipe, steps=(HOSTILE,)),
    )


def read_pdf(pdf: bytes, folder: Path) -> str:
    """Text of a PDF by an independent reader (poppler); skips where it is absent."""
    program = shutil.which("pdftotext")
    if program is None:
        pytest.skip("pdftotext of poppler is not installed")
    file = folder / "record.pdf"
    file.write_bytes(pdf)
    done = subprocess.run(
        [program, "-layout", str(file), "-"], capture_output=True, check=True, timeout=TIMEOUT_S
    )
    return done.stdout.decode()


def list_wanted(handover: Any) -> list[str]:
    """What a reader must find in either document."""
    plan, proof = handover.plan, handover.proof
    wanted = [handover.module_title, plan.vin, plan.month_reason, handover.report.verdict.value]
    wanted += [digest for _, digest in handover.digests]
    wanted += [change.option for change in plan.option_changes]
    wanted += [reason for change in plan.option_changes for reason in change.reasons]
    wanted += [
        field.title
        for edit in plan.edits
        for field in edit.fields
        if field.verdict in {FieldVerdict.KEPT, FieldVerdict.APPLIED}
    ]
    wanted += [step.what for step in plan.steps]
    wanted += ["4.3.1", "gateway_4_3_1.bin", "13.52 V", "link lost, read back: written"]
    wanted += [
        verdict.value for verdict in FaultVerdict if verdict in {f.verdict for f in proof.faults}
    ]
    wanted += [check.text for check in proof.checks]
    wanted += [caution.text for caution in plan.cautions]
    wanted += ["rear distributor 4", "donorfit undo", "Local law", "licensed practice"]
    wanted += [backup.sha256 for backup in handover.preparation.backups]
    return wanted


def squeeze(text: str) -> str:
    return re.sub(r"[\s\u200b]+", "", text)


def test_page_holds_the_whole_record(handover: Any) -> None:
    text = squeeze(read_page(write_html(handover)).text)
    missing = [each for each in list_wanted(handover) if squeeze(each) not in text]
    assert not missing


def test_pdf_holds_the_whole_record(handover: Any, tmp_path: Path) -> None:
    """Words of every text, read by poppler; cells are folded, so single words are looked for."""
    pytest.importorskip("typst")
    text = squeeze(read_pdf(write_pdf(handover), tmp_path))
    missing = [
        word
        for each in list_wanted(handover)
        for word in each.split()
        if len(word) < 9 and squeeze(word) not in text
    ]
    assert not missing


def test_documents_are_the_same_each_time(job: Any) -> None:
    assert write_html(make(job)) == write_html(make(job))
    pytest.importorskip("typst")
    assert write_pdf(make(job)) == write_pdf(make(job))


def test_page_needs_nothing_from_anywhere(handover: Any) -> None:
    page = read_page(write_html(handover))
    assert not {"script", "link", "iframe", "object", "embed", "img", "audio", "video"} & set(
        page.tags
    )
    for _, name, value in page.attributes:
        assert not name.startswith("on")
        assert name != "src"
        if name == "href":
            assert value.startswith("#")
        assert not (value.startswith(("http:", "https:", "//")) and name != "xmlns")
    assert b"@import" not in write_html(handover)
    assert b"default-src 'none'" in write_html(handover)


def test_headings_go_down_one_at_a_time(handover: Any) -> None:
    levels = [level for level, _ in read_page(write_html(handover)).headings]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(later - now <= 1 for now, later in pairwise(levels))


def test_identifiers_are_unique_and_links_lead_somewhere(handover: Any) -> None:
    page = read_page(write_html(handover))
    ids = [value for _, name, value in page.attributes if name == "id"]
    assert len(ids) == len(set(ids))
    for _, name, value in page.attributes:
        if name == "href":
            assert value[1:] in ids
        if name in {"aria-labelledby", "aria-describedby"}:
            assert set(value.split()) <= set(ids)


def test_every_picture_has_a_table_twin(handover: Any) -> None:
    for section in compose(handover).sections:
        kinds = [type(block) for block in section.blocks]
        for place, kind in enumerate(kinds):
            if kind is Picture:
                assert Table in kinds[place + 1 :], section.key


def test_light_dark_and_print_are_served(handover: Any) -> None:
    page = write_html(handover).decode()
    assert "prefers-color-scheme: dark" in page
    assert "@media print" in page
    assert '<html lang="en">' in page


@pytest.mark.parametrize("writer", [write_html, write_pdf], ids=["page", "pdf"])
def test_hostile_texts_are_shown_not_obeyed(job: Any, writer: Any, tmp_path: Path) -> None:
    handover = make_hostile(job)
    if writer is write_html:
        page = read_page(write_html(handover))
        assert "script" not in page.tags
        assert "img" not in page.tags
        assert "<script>alert(1)</script>" in page.text
        assert "\u202e" not in page.text
        assert "\x1b" not in page.text
        return
    pytest.importorskip("typst")
    text = squeeze(read_pdf(write_pdf(handover), tmp_path))
    assert squeeze('#panic("no")') in text
    assert squeeze('#read("/etc/passwd")') in text
    assert "root:" not in text
    assert "[U+6F22]" in text


def test_masked_documents_hold_no_identity(job: Any, tmp_path: Path) -> None:
    handover = make(job, mask=True)
    secrets = {job.survey.vin, *(unit.serial for unit in job.survey.units if unit.serial)}
    page = write_html(handover).decode()
    assert not [secret for secret in secrets if secret in page]
    assert "are hidden in this copy" in page
    pytest.importorskip("typst")
    text = read_pdf(write_pdf(handover), tmp_path)
    assert not [secret for secret in secrets if secret in text]


def test_an_unproved_job_says_so_first(job: Any, towing_job: Any) -> None:
    change = replace(job.change, finished=False, stop_reason="the link was lost")
    handover = make(job, change=change, proof=None)
    page = read_page(write_html(handover)).text
    assert "Not proved" in page
    assert "the link was lost" in page
    assert "NOT proved" not in page
    failed = towing_job.build_proof(job.plan, change)
    assert (
        "NOT proved"
        in read_page(
            write_html(make(job, change=change, proof=replace(failed, proved=False)))
        ).text
    )


def test_a_bare_record_makes_a_document(job: Any, towing_job: Any) -> None:
    """Nothing to change, no supply, no findings: every section still says something."""
    survey = replace(job.survey, findings=(), units=())
    report = towing_job.build_report(survey, None)
    plan = replace(
        towing_job.build_plan(survey, report),
        option_changes=(), edits=(), steps=(), supply=None, cautions=(), wires=(), checks=(),
        questions=(), findings=(), expected_faults=(), identities=(), month_after=survey.month,
    )  # fmt: skip
    preparation = replace(
        towing_job.build_preparation(plan, survey), wake_checks=(), supply_volts=None
    )
    change = towing_job.build_change(plan, preparation)
    handover = make(
        job, survey=survey, bench=None, report=report, plan=plan, preparation=preparation,
        change=change, proof=None,
    )  # fmt: skip
    text = read_page(write_html(handover)).text
    for said in (
        "No wire had to be run",
        "No software was programmed",
        "not measured",
        "stays 2020-03",
    ):
        assert said in text
    pytest.importorskip("typst")
    assert write_pdf(handover).startswith(b"%PDF")


def test_pdf_is_tagged_a4_and_carries_the_records_time(handover: Any, tmp_path: Path) -> None:
    pytest.importorskip("typst")
    program = shutil.which("pdfinfo")
    if program is None:
        pytest.skip("pdfinfo of poppler is not installed")
    file = tmp_path / "record.pdf"
    file.write_bytes(write_pdf(handover))
    done = subprocess.run(
        [program, str(file)], capture_output=True, check=True, timeout=TIMEOUT_S,
        env={"TZ": "UTC"},
    )  # fmt: skip
    said = done.stdout.decode()
    assert re.search(r"Tagged:\s+yes", said)
    assert re.search(r"Page size:\s+59\d\.\d+ x 84\d\.\d+ pts \(A4\)", said)
    assert re.search(r"CreationDate:\s+Sat Nov 21 08:58:47 2026", said)
    assert "Towing control unit" in said


def test_without_typst_the_reason_and_the_way_out_are_said(
    handover: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    usual = builtins.__import__

    def refuse(name: str, *rest: Any, **more: Any) -> Any:
        if name == "typst":
            raise ImportError(name)
        return usual(name, *rest, **more)

    monkeypatch.setattr(builtins, "__import__", refuse)
    with pytest.raises(InputError) as caught:
        write_pdf(handover)
    assert "typst is not installed" in str(caught.value)
    assert "HTML record" in str(caught.value)
    assert write_html(handover)


def test_signs_that_cannot_be_set_are_spelled() -> None:
    assert spell_out("a\u6f22b \u00e9 \u03a9 \u2192") == "a[U+6F22]b \u00e9 \u03a9 \u2192"
    assert put_boxes("a\u6f22b") == "a\u25a1b"
    assert not is_covered("\x1f")
    assert is_covered(" ")
    assert is_covered("~")


def test_covered_signs_are_really_in_the_faces() -> None:
    """typst (independent) warns of a sign that no face holds; none of a sample may be missing."""
    typst = pytest.importorskip("typst")
    sample = "".join(
        chr(code)
        for code in range(0x21, 0x2C00, 7)
        if is_covered(chr(code)) and chr(code).isalnum()
    )
    assert len(sample) > 150
    source = f'#set text(font: "DejaVu Sans Mono", fallback: false)\n#text("{sample}")'
    pdf = typst.compile(source.encode(), ignore_system_fonts=True)
    assert pdf.startswith(b"%PDF")


def test_the_ring_has_a_section_where_the_module_sits_on_it(handover: Any) -> None:
    arcs = (
        RingMargin(source="media_source", target="tuner", margin_db=9.0, added=False),
        RingMargin(source="tuner", target="media_source", margin_db=1.0, added=True),
    )
    assert "Optical ring" not in read_page(write_html(handover)).text
    text = read_page(write_html(replace(handover, ring=arcs))).text
    assert "1.0 dB, weak" in text
    assert "unverified" in text


def test_what_was_measured_stands_beside_the_forecast(handover: Any) -> None:
    plain = read_page(write_html(replace(handover, change=replace(handover.change, supply=()))))
    step = handover.plan.steps[0].id
    change = replace(handover.change, supply=(SupplyReading(step=step, volts=9.87),))
    text = read_page(write_html(replace(handover, change=change))).text
    assert "9.87" not in plain.text
    assert f"before {step}" in text
    assert "1 outside the window" in text
    assert "the supply held less than was planned with" in text


def test_the_parts_for_the_wires_are_listed(handover: Any) -> None:
    text = read_page(write_html(handover)).text
    assert "Parts for these wires" in text
    assert "terminal for connector" in text


def test_a_finding_of_two_records_is_said_once(job: Any) -> None:
    finding = job.survey.findings[0]
    handover = make(job)
    other = replace(finding, severity=Severity.BLOCKING)
    plan = replace(handover.plan, findings=(other,))
    text = read_page(write_html(replace(handover, plan=plan))).text
    assert text.count(finding.what) == 1
    assert "warning in survey; blocking in plan" in text


def test_long_bytes_are_told_by_their_digest(job: Any) -> None:
    data = bytes(range(200))
    back = replace(job.proof.read_backs[0], expected=data, read=data)
    handover = make(job)
    proof = replace(handover.proof, read_backs=(back,))
    text = read_page(write_html(replace(handover, proof=proof))).text
    assert "00 01 02 03 04 05 06 07 ... (200 bytes, SHA-256 " in text
    assert hashlib.sha256(data).hexdigest() in text


def test_columns_leave_room_for_their_longest_words() -> None:
    table = Table(
        caption="",
        head=("Verdict", "Why", "Code"),
        rows=(("met", "word " * 200, "AB" * 32),),
        code=(2,),
    )
    verdict, why, code = weigh_columns(table)
    total = verdict + why + code
    assert 112 * verdict / total >= len("Verdict")
    assert why > code > verdict
