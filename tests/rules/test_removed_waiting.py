"""R2 and R6: a row every ten minutes, and a dose that waits no longer than it may."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from dosingd.gate import Reason, Request
from dosingd.records import Into, NotGiven, Outcome, Purpose, Stamp
from tests.proof.plans import CHANNELS, Wish
from tests.proof.rig import PLACE, Rig


@pytest.fixture
def rig() -> Iterator[Rig]:
    with TemporaryDirectory(prefix="proof-", dir=PLACE) as name:
        made = Rig(Path(name), Wish(blind=False), full=True, flows=dict.fromkeys(CHANNELS, 1.0), synchronised=False)
        yield made
        made.stop()


def test_ten_minutes_without_a_row_are_stamped(rig: Rig) -> None:
    rig.clock.pass_s(599.0)
    rig.rounds.make()
    assert not isinstance(rig.book.newest.event, Stamp)
    rig.clock.pass_s(1.0)
    rig.rounds.make()
    assert isinstance(rig.book.newest.event, Stamp)


def test_a_dose_that_would_wait_too_long_is_refused_at_once(rig: Rig) -> None:
    turn = rig.rounds.turn
    assert turn.run(Request("alk", Purpose.MANUAL, Into.TANK, 1_000)).outcome is Outcome.GIVEN
    rig.clock.pass_s(400.0)  # the gap to calcium ends 200 s from now
    asked = Request("ca", Purpose.SCHEDULED, Into.TANK, 1_000)
    waits = turn.run(asked, may_wait_s=250.0)
    assert (waits.outcome, waits.why) == (None, Reason.APART)
    refused = turn.run(asked, may_wait_s=150.0)
    assert (refused.outcome, refused.why) == (Outcome.REFUSED, Reason.APART)
    assert isinstance(rig.book.newest.event, NotGiven)
