"""How a kind of record grows without becoming another one.

A field that a later version added is left out of the canonical JSON where it holds its default, so
that a record of an earlier version keeps its digest, and with it everything that names it.
"""

from collections.abc import Mapping
from types import MappingProxyType

ADDED_LATER: Mapping[str, bool] = MappingProxyType({"added later": True})
"""Metadata of such a field."""
