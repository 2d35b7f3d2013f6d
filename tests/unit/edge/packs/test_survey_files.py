"""Declared surveys: what a person types in, and every mistake with its line."""

from pathlib import Path

import pytest

from donorfit.edge.packs import read_declared_survey, read_pack
from donorfit.errors import InputError
from donorfit.records.encoding import compute_digest
from donorfit.records.survey import SurveyKind
from donorfit.vehicle.identity import BuildMonth
from donorfit.vehicle.pack import Pack

GOOD = """\
format = "donorfit declared survey 1"
pack = "small"
vin = "ZZ9DF17A7SD000042"
month = "2020-03"
options = ["loud"]
codes = ["H001"]
fitted = ["hook"]
not_fitted = ["soft"]
[[unit]]
id = "hook_unit"
hardware = "K2"
software = "1.5"
[[unit]]
id = "gateway"
"""


@pytest.fixture
def pack(make_pack) -> Pack:
    return read_pack(make_pack())


def write(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "declared.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_declared_survey_is_read(tmp_path: Path, pack: Pack) -> None:
    survey = read_declared_survey(write(tmp_path, GOOD), pack)
    assert survey.kind is SurveyKind.DECLARED
    assert (survey.pack, survey.pack_digest, survey.taken_at) == ("small", pack.digest, "")
    assert survey.month == BuildMonth.parse("2020-03")
    assert survey.options == ("hook", "loud")
    assert survey.fitted == ("hook",)
    assert survey.not_fitted == ("soft",)
    # in the pack's order, with the pack's addresses
    assert [(each.unit, each.address) for each in survey.units] == [
        ("gateway", 0x1010),
        ("hook_unit", 0x1020),
    ]
    assert survey.units[1].software == "1.5"
    assert len(compute_digest(survey)) == 64


def test_the_smallest_declared_survey(tmp_path: Path, pack: Pack) -> None:
    text = 'format = "donorfit declared survey 1"\n'
    survey = read_declared_survey(write(tmp_path, text), pack)
    assert survey.month is None
    assert survey.options == ()
    assert survey.units == ()


def test_every_mistake_comes_with_its_line(tmp_path: Path, pack: Pack) -> None:
    text = (
        GOOD.replace('pack = "small"', 'pack = "big"')
        .replace("SD000042", "SD00004")
        .replace("2020-03", "2030-03")
        .replace('["loud"]', '["lowd"]')
        .replace("H001", "H009")
        .replace('not_fitted = ["soft"]', 'not_fitted = ["hook"]')
        .replace('id = "gateway"', 'id = "gatway"')
    )
    path = write(tmp_path, text)
    with pytest.raises(InputError) as caught:
        read_declared_survey(path, pack)
    told = [(each.line, each.what) for each in caught.value.mistakes]
    assert [line for line, _ in told] == [2, 3, 4, 5, 6, 8, 14]
    assert "did you mean 'loud'?" in caught.value.mistakes[3].next_step


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "the file is empty"),
        ("format = 1\n", "format is 1"),
        ('format = "donorfit declared survey 1"\nmonth = "2020-13"\n', "is not a month"),
        ('format = "donorfit declared survey 1"\nmonths = "2020-12"\n', "not known here"),
        ('format = "donorfit declared survey 1"\noptions = "loud"\n', "options is 'loud'"),
    ],
)
def test_what_cannot_be_used(tmp_path: Path, pack: Pack, text: str, told: str) -> None:
    with pytest.raises(InputError) as caught:
        read_declared_survey(write(tmp_path, text), pack)
    assert told in str(caught.value)


def test_a_missing_file(tmp_path: Path, pack: Pack) -> None:
    with pytest.raises(InputError, match="No such file"):
        read_declared_survey(tmp_path / "nothing.toml", pack)
