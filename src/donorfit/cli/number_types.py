"""Numbers on the command line."""

from math import isnan
from typing import Any

import click


class WholeRange(click.IntRange):
    """A whole number within bounds."""

    name = "integer"


class FiniteRange(click.FloatRange):
    """A number within bounds; ``nan``, which no comparison refuses, is none."""

    name = "number"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Turn text into a number within the bounds."""
        number = super().convert(value, param, ctx)
        if isnan(number):
            self.fail("nan is no number.", param, ctx)
        return number
