"""R9: channels that must stay apart are kept apart from the latest possible end of the other's run."""

from __future__ import annotations

from typing import Any

import pytest

from dosingd.gate import Reason, Refused, ask
from dosingd.plan.model import Apart
from dosingd.records import Into, Outcome, Purpose, Stamp
from tests.builders import ALK, CA, Story, channel, plan, reading, request

PLAN = plan()  # 20 minutes between alk and ca


def refused(story: Story, name: str = "ca", **at: Any) -> Refused | None:
    if at:
        story.at(**at)
    given = ask(story.plan, story.books, request(name), story.now, trusted=True)
    return given if isinstance(given, Refused) else None


def dosed() -> Story:
    """Alkalinity was reserved at 0 s and settled at 10 s."""
    story = Story(PLAN)
    row = story.reserve("alk", 1_000)
    story.at(10.0).settle(row)
    return story


def test_the_gap_counts_from_the_settled_end() -> None:
    early = refused(dosed(), mono_s=1209.9)
    assert early is not None
    assert early.reason is Reason.APART
    assert early.fits_in_s == pytest.approx(0.1)  # 10 + 1200 - 1209.9
    assert (early.facts["other"], early.facts["gap_s"]) == ("alk", 1200.0)
    assert refused(dosed(), mono_s=1210.0) is None


@pytest.mark.parametrize(("gap_s", "words"), [(1.0, "1 s"), (150.0, "150 s"), (1200.0, "20 min")])
def test_the_gap_is_said_in_whole_minutes_or_in_seconds(gap_s: float, words: str) -> None:
    story = Story(plan(ALK, CA, gap_s=gap_s))
    story.at(10.0).settle(story.reserve("alk"))
    early = refused(story, mono_s=10.5)
    assert early is not None
    assert f"ca: {words} must lie between alk and ca" in early.text


def test_the_same_channel_needs_no_gap() -> None:
    assert refused(dosed(), "alk", mono_s=11.0) is None


def test_a_channel_of_no_rule_needs_no_gap() -> None:
    story = Story(plan(ALK, CA, channel("third"), gap_s=0))
    story.at(10.0).settle(story.reserve("alk"))
    assert refused(story, "third") is None


def test_an_open_run_counts_from_the_end_of_its_lease() -> None:
    story = Story(PLAN)
    row = story.reserve("alk", 1_000)  # its lease ends 10.5 s later
    assert story.books.last_end_ms["alk"] == 10_500
    story.at(3.0).settle(row, outcome=Outcome.PARTIAL)
    assert story.books.last_end_ms["alk"] == 3_000


def test_a_run_of_unknown_end_counts_from_when_it_was_booked() -> None:
    story = Story(PLAN)
    row = story.reserve("alk", 1_000)
    story.at(90.0).settle(row, 9_000, Outcome.UNKNOWN)
    assert refused(story, mono_s=1289.0) is not None
    assert refused(story, mono_s=1290.0) is None


def test_runs_into_cups_count_too() -> None:
    story = Story(PLAN)
    story.at(10.0).settle(story.reserve("alk", into=Into.CUP, purpose=Purpose.PRIME))
    assert refused(story, mono_s=100.0) is not None


def test_runs_into_cups_wait_too() -> None:
    story = dosed().at(100.0)
    given = ask(PLAN, story.books, request("ca", into=Into.CUP, purpose=Purpose.PRIME), story.now, trusted=True)
    assert isinstance(given, Refused)
    assert given.reason is Reason.APART


def test_the_wall_clock_never_shortens_a_gap() -> None:
    assert refused(dosed(), mono_s=20.0, wall_s=1e7) is not None
    assert refused(dosed(), mono_s=1210.0, wall_s=-1e7) is None  # nor lengthens it


def test_across_a_reboot_only_proven_time_counts() -> None:
    story = dosed()
    story.at(300.0).tell(Stamp())  # 290 s after the end are proven
    late = refused(story, mono_s=909.0, boot="boot-2", wall_s=1e6)
    assert late is not None
    assert late.fits_in_s == pytest.approx(1.0)  # 1200 - 290 - 909
    assert refused(story, mono_s=910.0, boot="boot-2") is None


def test_the_longest_wait_of_several_neighbours_is_told() -> None:
    of = plan(ALK, CA, channel("third"))
    story = Story(of)
    story.at(10.0).settle(story.reserve("alk"))
    story.at(100.0).settle(story.reserve("ca"))
    late = refused(story, "third", mono_s=110.0)
    assert late is not None
    assert (late.facts["other"], late.fits_in_s) == ("ca", 1190.0)


def test_of_two_rules_for_a_pair_the_wider_holds() -> None:
    of = plan(ALK, CA)
    both = plan(ALK, CA).__class__(
        of.rig, of.timezone, of.tank, of.stocks, of.channels, apart=(Apart(("alk", "ca"), 60.0), *of.apart)
    )
    assert both.gap_s("alk", "ca") == 1200.0
    assert both.gap_s("alk", "alk") == 0.0


def test_a_channel_that_left_the_plan_is_remembered() -> None:
    """Its drops are in the tank whatever the plan says now; a rule that still names it holds."""
    story = dosed()
    story.plan = plan(CA).__class__(PLAN.rig, PLAN.timezone, PLAN.tank, PLAN.stocks, {"ca": CA}, apart=PLAN.apart)
    assert refused(story, mono_s=100.0) is not None


def test_a_start_forgets_no_end() -> None:
    """The gap of a run before a restart of the daemon is in the rows."""
    assert dosed().books.last_end_ms == {"alk": 10_000}
    assert reading(0).boot_id == "boot-1"
