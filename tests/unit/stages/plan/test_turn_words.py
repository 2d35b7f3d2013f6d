"""Why a round waits, in words that a stranger understands."""

import pytest

from donorfit.stages.plan.turns import BackTurn, Turn


@pytest.mark.parametrize("turn", [*Turn, *BackTurn])
def test_a_reason_is_a_sentence_by_itself(turn):
    assert len(turn.value.split()) > 5
    assert "under the" not in turn.value


def test_old_records_say_which_software_they_wait_for():
    assert "have their old software again, where it changed" in BackTurn.RECORDS.value
