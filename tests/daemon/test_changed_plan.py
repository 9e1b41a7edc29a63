"""A plan that was changed while no daemon ran: a start asks what a reload would ask, by holding the rig."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from attrs import evolve

from dosingd.agenda import zone_start_at
from dosingd.alarms import Kind
from dosingd.books import PLANS_KEPT, Books
from dosingd.checking import asked_of, raised
from dosingd.checking.raised import NOT_KEPT
from dosingd.daemon.latch import LATCH_NAME
from dosingd.daemon.opening import unconfirmed
from dosingd.leases import CONFIRM_PLAN, PLAN_CHANGED
from dosingd.ledger.rows import body_from_event, event_from_body
from dosingd.limits import plan_loaded
from dosingd.plan import read_plan
from dosingd.plan.model import Plan
from dosingd.records import Held, NotGiven, PlanLoaded, Released, Row, Started
from dosingd.requests import Hold, Release, Reload, Status
from dosingd.rounds import MOST_NAMED
from tests.builders import ALK, EPOCH_AT, START_AT, channel, plan, reading
from tests.daemon.child import CALM, Rig, brisk_plan, wait_until
from tests.daemon.manned import Manned

#: Twice the limits of both channels in volume, by a slip of the pen.
LOOSE = CALM.replace("day: 45 L", "day: 90 L").replace("dose: 100 mL", "dose: 200 mL")


def read(text: str) -> Plan:
    return read_plan(text.encode(), "plan.yaml")[0]


def books_of(was: PlanLoaded | None, *, started: bool = True) -> Books:
    books = Books()
    if was is not None:
        books.apply(Row(1, reading(0.0), was, 0))
    if started:
        books.apply(Row(2, reading(0.0), Started("1"), 0))
    return books


def loaded(of: Plan) -> PlanLoaded:
    return plan_loaded(of, zone_start_at(of, Books(), START_AT))


# -- what is asked -------------------------------------------------------------------------------------------


def test_it_asks_to_the_word_what_a_reload_asks() -> None:
    before, after = read(CALM), read(LOOSE)
    asked = unconfirmed(after, books_of(loaded(before)))
    assert asked == raised(before, after)
    assert any("its day limit" in line for line in asked)


def test_a_plan_that_is_the_same_to_the_byte_is_never_asked_about_whatever_its_row_holds() -> None:
    of = read(LOOSE)
    for text in (LOOSE, None, "rig: [", "\x00"):
        assert unconfirmed(of, books_of(evolve(loaded(of), text=text))) == ()


def test_what_a_reload_lets_pass_a_start_lets_pass() -> None:
    assert unconfirmed(read(CALM + "# a word\n"), books_of(loaded(read(CALM)))) == ()
    assert unconfirmed(read(CALM), books_of(loaded(read(LOOSE)))) == ()
    assert unconfirmed(read(CALM.replace("gap: 1 s", "gap: 2 s")), books_of(loaded(read(CALM)))) == ()


def test_nothing_is_asked_before_the_first_start() -> None:
    assert unconfirmed(read(LOOSE), books_of(loaded(read(CALM)), started=False)) == ()
    assert unconfirmed(read(LOOSE), books_of(None)) == ()


@pytest.mark.parametrize("text", [None, "rig: [", "rig: calm\n"])
def test_a_plan_before_that_is_not_known_is_asked_about(text: str | None) -> None:
    """As in the rows of an older version, or of one whose plans this one does not read."""
    assert unconfirmed(read(LOOSE), books_of(evolve(loaded(read(CALM)), text=text))) == (NOT_KEPT,)


def test_the_plan_in_force_is_kept_to_the_byte() -> None:
    text = CALM.replace("\n", "\r\n") + "# µL, 10 × as much\n"
    of = read(text)
    assert loaded(of).text == text
    assert event_from_body("plan_loaded", body_from_event(loaded(of))) == loaded(of)
    assert read(loaded(of).text or "").sha256 == of.sha256


# -- the rounds and the desk ---------------------------------------------------------------------------------

PLAN = plan(ALK)
LINES = tuple(f"alk: line {number}" for number in range(MOST_NAMED + 2))


def found(lines: tuple[str, ...] = LINES) -> Manned:
    """A rig that begins with a plan which it must ask about."""
    of = Manned(PLAN)
    of.rig.account.write(plan_loaded(evolve(PLAN, sha256="11" * 32), EPOCH_AT), of.clock.now())
    of.duty._unconfirmed = lines
    return of


def test_it_holds_and_does_not_come_into_force() -> None:
    with found() as of:
        of.live(4 * 3600.0)
        assert of.rig.spans["alk"] == []
        assert [type(event) for event in of.rig.events(Held, PlanLoaded)] == [PlanLoaded, Held]
        assert of.rig.books.plan is not None
        assert of.rig.books.plan.sha256 == "11" * 32
        held = of.rig.books.held or ""
        assert held.startswith(f"{PLAN_CHANGED}: alk: line 0; alk: line 1")
        assert held.endswith("; and 2 more")
        alarms = {alarm.kind: alarm for alarm in of.state().alarms}
        assert LINES[0] in alarms[Kind.PLAN_CHANGED].text
        assert "dosingd reload --yes" in alarms[Kind.PLAN_CHANGED].next_step
        assert alarms[Kind.HELD].next_step == alarms[Kind.PLAN_CHANGED].next_step


def test_a_release_is_refused_and_says_what_to_do() -> None:
    with found() as of:
        answer = of.ask(Release())
        assert (answer.status, answer.code) == (2, "confirm")
        assert answer.text is not None
        assert all(line in answer.text for line in LINES)
        assert "dosingd reload --yes" in answer.text
        assert of.rig.books.held is not None
        assert of.rig.events(Released) == []


def test_a_rig_that_was_held_for_another_cause_keeps_it_and_is_asked_as_well() -> None:
    of = found()
    of.rig.account.write(Held("hands in the tank"), of.clock.now())
    with of:
        assert [one.why.partition(": ")[0] for one in of.rig.books.causes] == ["hands in the tank", PLAN_CHANGED]
        assert Kind.PLAN_CHANGED in [alarm.kind for alarm in of.state().alarms]
        assert f"To end it: {CONFIRM_PLAN}; and for what is left: dosingd release" in str(of.ask(Hold()).data)
        assert of.ask(Release()).code == "confirm"
        answer = of.ask(Reload(yes=True))
        assert "but the rig is held: hands in the tank; and besides: by hand. To let" in str(answer.data)
        assert of.rig.books.held == "hands in the tank; and besides: by hand", "the plan is confirmed, and no more"
        assert of.ask(Release()).status == 0


def test_a_reload_asks_against_the_plan_in_force_and_its_yes_lets_the_rig_dose() -> None:
    with found() as of:
        asked = of.ask(Reload())  # the file as this start found it
        assert (asked.status, asked.code) == (2, "confirm")
        assert NOT_KEPT in (asked.text or "")
        assert "The rig stays held. If that is meant: dosingd reload --yes" in (asked.text or "")
        assert of.ask(Status()).data["held"] is True
        answer = of.ask(Reload(yes=True))
        assert answer.status == 0
        assert answer.data["message"].startswith("The plan is in force. The rig doses again. It was held: ")
        assert of.rig.books.held is None
        assert of.rig.books.plan is not None
        assert of.rig.books.plan.sha256 == PLAN.sha256
        of.settle()
        assert Kind.PLAN_CHANGED not in [alarm.kind for alarm in of.state().alarms]
        of.live(3600.0)
        assert len(of.rig.spans["alk"]) == 1


def test_the_plan_before_put_back_is_not_asked_about() -> None:
    with found() as of:
        of.file = evolve(PLAN, sha256="11" * 32)
        answer = of.ask(Reload())
        assert answer.status == 0
        assert of.rig.books.held is None
        of.live(3600.0)
        assert len(of.rig.spans["alk"]) == 1


def test_a_hold_of_a_persons_own_outlasts_the_question() -> None:
    with found() as of:
        assert of.ask(Reload(yes=True)).status == 0
        of.ask(Hold("hands in the tank"))
        assert of.ask(Reload(yes=True)).status == 0
        assert of.rig.books.held == "hands in the tank"


def test_a_reload_ends_the_plan_s_own_cause_and_no_other_and_says_what_stays() -> None:
    """Whatever came first, and with no word for the alarms that only a release answers."""
    with found() as of:
        of.ask(Hold("hands in the tank"))
        of.ask(Hold(f"{PLAN_CHANGED}, I think"))
        [changed, *_] = of.rig.books.causes
        of.file = evolve(PLAN, sha256="11" * 32)
        said = of.ask(Reload()).data["message"]
        assert said == (
            "The plan is in force and holds the rig no more, but the rig is held: hands in the tank; and besides: by"
            f" hand: {PLAN_CHANGED}, I think. To let it dose again: dosingd release"
        )
        assert of.rig.events(Released) == [Released("a person", changed.why)]
        of.live(3600.0)
        assert of.rig.spans["alk"] == []
        assert of.ask(Reload()).data["message"].endswith("To let it dose again: dosingd release"), "said each time"
        assert of.ask(Release()).status == 0
        assert of.rig.books.held is None


def test_a_line_that_stays_high_keeps_the_hold_of_a_plan_that_is_in_force(monkeypatch: pytest.MonkeyPatch) -> None:
    with found() as of:
        bring = of.desk._bring

        def stuck(plan: Plan, confirmed: bool) -> None:
            bring(plan, confirmed)
            monkeypatch.setattr(of.rig.turn.pumps["alk"], "off", fail)

        monkeypatch.setattr(of.desk, "_bring", stuck)
        answer = of.ask(Reload(yes=True))
        assert "The rig stays held, for a pump may still run" in str(answer.data)
        assert of.rig.books.held is not None


def fail() -> None:
    raise OSError("the line does not answer")


def test_a_kill_between_the_plan_s_row_and_the_end_of_its_hold_is_made_good_at_the_next_start() -> None:
    of = Manned(PLAN)
    of.rig.account.write(Held(f"{PLAN_CHANGED}: alk: more"), of.clock.now())
    of.rig.account.write(Held("hands in the tank"), of.clock.now())
    with of:
        assert of.rig.books.held == "hands in the tank"


def test_another_plan_that_a_later_start_finds_takes_the_place_of_the_first_one_s_cause() -> None:
    of = found()
    of.rig.account.write(Held(f"{PLAN_CHANGED}: alk: less"), of.clock.now())
    with of:
        [cause] = of.rig.books.causes
        assert cause.why.startswith(f"{PLAN_CHANGED}: alk: line 0")


# -- what is missed meanwhile --------------------------------------------------------------------------------


@pytest.mark.parametrize(("text", "spent_ul"), [(CALM, 20_000), ("rig: [", 0)])
def test_what_is_missed_while_a_plan_waits_is_missed_by_the_plan_in_force(text: str, spent_ul: int) -> None:
    """By the other's volumes it would eat the day after the plan before is put back. A day of CALM is 20 mL."""
    new = read(LOOSE.replace("daily: 20 mL", "daily: 40 mL"))
    of = Manned(new)
    of.rig.account.write(evolve(plan_loaded(read(CALM), EPOCH_AT), text=text), of.clock.now())
    of.duty._unconfirmed = ("alk: more",)
    with of:
        of.live(24 * 3600.0)
        missed = [one for one in of.rig.events(NotGiven) if isinstance(one, NotGiven) and one.channel == "alk"]
        assert missed
        assert all(PLAN_CHANGED in one.reason for one in missed)
        assert sum(of.rig.books.account(day, "alk").spent_ul for day in of.rig.books.days) == spent_ul


# -- steps ---------------------------------------------------------------------------------------------------


def test_steps_that_each_ask_nothing_are_asked_about_together_within_a_day() -> None:
    def of(ml: float) -> Plan:
        return read(CALM.replace("daily: 20 mL", f"daily: {ml} mL"))

    story = Books()
    seq = 0

    def tell(event: PlanLoaded | Started, hours: float) -> None:
        nonlocal seq
        seq += 1
        story.apply(Row(seq, reading(hours * 3600.0), event, round(hours * 3_600_000)))

    def asked(new: Plan, hours: float, running: Plan | None = None) -> tuple[str, ...]:
        return asked_of(new, story, round(hours * 3_600_000), running=running)

    tell(loaded(of(20)), 0.0)
    assert asked(of(23), 1.0) == ()
    tell(loaded(of(23)), 1.0)
    for running in (None, of(23)):
        lines = asked(of(27), 2.0, running)
        assert lines
        assert all(line.endswith(", in steps within a day") for line in lines)
    assert asked(of(23), 2.0) == (), "the same to the byte"
    assert asked(of(24), 2.0) == ()
    assert asked(of(27), 24.9) != ()
    assert asked(of(27), 25.0) == (), "a day after"
    tell(evolve(loaded(of(27)), confirmed=True), 2.0)
    assert asked(of(31), 2.1) == (), "what a person said yes to is the new measure"
    for number in range(3 * PLANS_KEPT):
        tell(loaded(of(27 + number / 1000)), 2.2)
    assert len(story.plans) == PLANS_KEPT
    assert asked(of(32.44), 2.3) != (), "the oldest of many stays"


def test_the_desk_remembers_what_a_person_said_yes_to() -> None:
    with Manned(PLAN) as of:
        of.file = evolve(plan(channel("alk", dose_ul=9_000)), sha256="22" * 32)
        assert of.ask(Reload()).code == "confirm"
        assert of.ask(Reload(yes=True)).status == 0
        assert of.rig.books.plan is not None
        assert of.rig.books.plan.confirmed
        of.ask(Reload())
        assert of.rig.books.plan.confirmed, "the same again writes no row"


def test_a_plan_that_the_desk_brings_in_as_usual_is_compared_with_the_running_one() -> None:
    with Manned(PLAN) as of:
        of.file = evolve(plan(channel("alk", dose_ul=9_000)), sha256="22" * 32)
        answer = of.ask(Reload())
        assert "The running plan stays in force." in (answer.text or "")


# -- the whole daemon ----------------------------------------------------------------------------------------


@pytest.fixture
def calm(tmp_path: Path) -> Iterator[Rig]:
    with Rig(tmp_path, CALM) as rig:
        yield rig.start()


def alarms(told: dict[str, Any]) -> list[str]:
    return [alarm["kind"] for alarm in told["alarms"]]


def test_a_slip_and_a_power_cut_hold_the_rig_until_a_person_says_yes(calm: Rig) -> None:
    calm.plan_file.write_text(LOOSE)
    calm.stop(9)
    calm.start()
    told = calm.ask("status")
    assert told["held"] is True
    assert told["held_reason"].startswith(f"{PLAN_CHANGED}: alk: its dose limit from 100 mL to 200 mL; ")
    assert raised(read(CALM), read(LOOSE))[1] in told["held_reason"]
    assert "plan-changed" in alarms(told)
    refused = calm.say("release")
    assert refused.returncode == 2
    assert raised(read(CALM), read(LOOSE))[1] in refused.stderr
    calm.stop(9)  # and once more
    calm.start()
    assert calm.ask("status")["held"] is True
    assert calm.say("release").returncode == 2
    assert calm.say("reload").returncode == 2
    confirmed = calm.say("reload", "--yes")
    assert confirmed.returncode == 0, confirmed.stderr
    told = calm.ask("status")
    assert told["held"] is False
    assert "plan-changed" not in alarms(told)
    calm.stop(9)
    calm.start()
    assert calm.ask("status")["held"] is False, "it is in force by the ledger now"


def test_the_plan_put_back_and_started_again_is_asked_about_no_more_and_every_other_hold_stays(calm: Rig) -> None:
    calm.plan_file.write_text(LOOSE)
    calm.stop()
    (calm.state / LATCH_NAME).write_text("alk: its run was not over 3.0 s after the end of its lease.")
    calm.start()
    assert "dosingd reload --yes" in calm.say("status").stdout
    told = calm.ask("status")
    assert {"plan-changed", "pump-outlived"} <= {*alarms(told)}
    calm.say("hold", "--why", "hands in the tank")
    calm.stop()
    calm.plan_file.write_text(CALM)
    calm.start()
    told = calm.ask("status")
    held = "alk: its run was not over 3.0 s after the end of its lease; and besides: hands in the tank"
    assert told["held_reason"] == held
    assert "plan-changed" not in alarms(told)
    assert "pump-outlived" in alarms(told)
    assert next(alarm for alarm in told["alarms"] if alarm["kind"] == "held")["next_step"] == "dosingd release"
    reloaded = calm.say("reload")
    assert reloaded.returncode == 0
    assert "but the rig is held: alk: its run was not over" in reloaded.stdout + reloaded.stderr
    assert calm.ask("status")["held"] is True
    assert calm.say("release").returncode == 0
    assert calm.ask("status")["held"] is False


def test_a_harmless_change_and_none_come_into_force_at_a_start(calm: Rig) -> None:
    calm.stop(9)
    calm.start()
    assert calm.ask("status")["held"] is False
    calm.stop(9)
    calm.plan_file.write_text(CALM + "# a word\n")
    calm.start()
    assert calm.ask("status")["held"] is False
    loaded = [one for one in calm.ask("history")["entries"] if one["kind"] == "plan_loaded"]
    assert len(loaded) == 2


def test_a_plan_that_was_changed_between_init_and_the_first_start_is_not_asked_about(tmp_path: Path) -> None:
    with Rig(tmp_path, CALM) as rig:
        rig.plan_file.write_text(LOOSE)
        rig.start()
        assert rig.ask("status")["held"] is False


def test_not_one_dose_goes_in_by_a_plan_that_nobody_confirmed(tmp_path: Path) -> None:
    text = brisk_plan()
    with Rig(tmp_path, text) as rig:
        rig.start()
        rig.wait_for_pulses(2)
        rig.plan_file.write_text(text.replace("daily: 15 mL", "daily: 30 mL"))
        rig.stop(9)
        pulses = [one for one in rig.pulses if one["on"]]
        rig.start()
        wait_until(lambda: any(one["outcome"] == "missed" for one in rig.ask("history")["entries"]), "a dose fell due")
        assert [one for one in rig.pulses if one["on"]] == pulses
        assert not rig.on
