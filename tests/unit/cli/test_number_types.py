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
