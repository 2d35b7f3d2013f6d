"""A CAN adapter that cannot be opened."""

import pytest

from donorfit.edge.links.can_port import open_bus
from donorfit.errors import NOTHING_CHANGED, LinkError


def test_a_bus_that_cannot_be_opened_has_carried_nothing(monkeypatch):
    can = pytest.importorskip("can")

    def refuse(**_):
        raise OSError(19, "No such device")

    monkeypatch.setattr(can, "Bus", refuse)
    with pytest.raises(LinkError, match="cannot be opened") as caught:
        open_bus("socketcan", "can9")
    assert caught.value.state == NOTHING_CHANGED
    assert "No such device" in caught.value.why
