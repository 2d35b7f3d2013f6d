"""No bound refuses what is no number, so the type does."""

import pytest
from click.testing import CliRunner

from donorfit.cli.root import root


@pytest.mark.parametrize(
    "arguments",
    [
        ("network", "ring", "pack", "--insert", "seat", "--length-in", "nan"),
        ("network", "ring", "pack", "--send", "-5", "nan"),
        ("network", "log", "drive.log", "--asleep-after", "nan"),
        ("electrical", "pins", "pack", "a", "b", "--run", "nan"),
        ("plan", "job", "--support-amps", "nan"),
        ("prepare", "job", "--car", "127.0.0.1", "--support-amps", "nan"),
    ],
)
def test_nan_is_no_number(arguments: tuple[str, ...]) -> None:
    result = CliRunner().invoke(root, list(arguments))
    assert result.exit_code == 2
    assert "nan is no number" in result.output


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("prepare", "job", "--support-amps", "much"), "'much' is not a valid number."),
        (("prepare", "job", "--reconnects", "1e9"), "'1e9' is not a valid integer."),
        (("simulate", "car.toml", "--port", "any"), "'any' is not a valid integer."),
    ],
)
def test_what_is_no_number_is_told_by_what_is_wanted(
    arguments: tuple[str, ...], words: str
) -> None:
    result = CliRunner().invoke(root, list(arguments))
    assert result.exit_code == 2
    assert words in result.output
