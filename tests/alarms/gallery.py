"""Every kind of alarm with figures as they occur, on the demo plan: what a phone would show. All of it is invented.

`python -m tests.alarms.gallery` prints it.
"""

from __future__ import annotations

from pathlib import Path

from attrs import evolve

from dosingd.alarms import Alarm, Kind, alarms
from dosingd.errors import PlanRefused
from dosingd.inputs import Judgement, input_alarms, sensors_of
from dosingd.leases import LEAK_SENSOR, NOT_LOW, OUTLIVED, READS_HIGH
from dosingd.limits import plan_loaded
from dosingd.mqtt.granted import Granted
from dosingd.plan import Plan, read_plan
from dosingd.plan.model import ClockPolicy, WithoutClock
from dosingd.records import (
    Calibrated,
    ClockMoved,
    Held,
    LedgerMade,
    NotGiven,
    Outcome,
    Paused,
    Refilled,
    Retubed,
    Started,
    Switched,
)
from dosingd.refills import Refill, refilled
from dosingd.requests import Dose, Reload, Suspend
from dosingd.trust import Trust
from tests.builders import START_AT, TODAY, Story
from tests.daemon.manned import Manned

LAGOON = Path(__file__).parents[2] / "config" / "lagoon.yaml"
INPUTS = """inputs:
  circulation: {gpio: 6, runs_when: closed}
  leak: {gpio: 13, wet_when: closed}
  hold_switch: {gpio: 19, holds_when: closed}
"""
DAY_S = 86_400.0
MANY = ", ".join(f"channel-{number}" for number in range(40))
HOLDS = (
    "by hand",
    "by an order from the broker, 7c9e6679-7425-40de-944b-e07fc1f90ae7",
    f"by an order from the broker, {'x' * 64}",
    f"{LEAK_SENSOR} (GPIO 13) is wet. Mend that first",
    "the hold switch (GPIO 19) is on. Mend that first",
    f"alk: its run lasted 61.0 s, past {OUTLIVED} of 12.5 s.",
    f"alk: its line was driven low and {READS_HIGH}.",
    f"alk: its line {NOT_LOW}: Input/output error.",
    f"a line {NOT_LOW} at the start: alk: GPIO 17: Device or resource busy; ca: GPIO 27: Device or resource busy",
    "hands in the tank " * 11,
    f"a line {NOT_LOW}: {MANY}",
)


def demo() -> Plan:
    """The demo plan with every input and a float."""
    text = LAGOON.read_text(encoding="utf-8")
    warned = "warn: 7 days}"
    assert warned in text
    text = text.replace(warned, "warn: 7 days, float: {gpio: 23, low_when: open}}", 1) + INPUTS
    return read_plan(text.encode(), "lagoon.yaml")[0]


PLAN = demo()


def _of(story: Story, trust: Trust | None = None, cannot_lay: str | None = None) -> tuple[Alarm, ...]:
    return alarms(story.plan, story.books, story.now, trust, cannot_lay)


def _filled(to_ul: int, found_ul: int | None = None, story: Story | None = None) -> Story:
    story = Story(PLAN) if story is None else story
    story.tell(refilled(PLAN, story.books, Refill("alk", to_ul, found_ul)))
    return story


def _reservoirs() -> list[Alarm]:
    found = [*_of(_filled(380_000)), *_of(_filled(101_000))]
    for stock, strength, poured in (
        ("soda", {}, None),
        ("magnesium", {"magnesium": 1.2}, None),
        ("soda", {"alkalinity": 1.6}, {"alkalinity": 1.6}),
    ):
        story = Story(PLAN)
        story.tell(Refilled("alk", 900_000, None, stock, strength, 0, poured))
        found += _of(story)
    for to_ul, drawn_ul, left_ul in ((1_900_000, 900_000, 900_000), (1_900_000, 300_000, 1_950_000)):
        story = _filled(to_ul)
        story.settle(story.reserve("alk", drawn_ul))
        found += _of(_filled(2_000_000, left_ul, story.at(10 * DAY_S)))
    story = _filled(1_900_000)
    for number in range(3):
        story.settle(story.reserve("alk", 1_000_000))
        story = _filled(1_900_000, 855_000 - number * 5_000, story.at((10 + 10 * number) * DAY_S))
    found += _of(story)
    for drawn_ul, left_ul in ((0, 900_000), (900_000, 1_500_000), (100_000, 1_990_000)):
        story = _filled(1_900_000)
        if drawn_ul:
            story.settle(story.reserve("alk", drawn_ul))
        found += _of(_filled(2_000_000, left_ul, story.at(10 * DAY_S)))
    story = _filled(1_900_000)
    alk = PLAN.channels["alk"]
    smaller = evolve(PLAN, channels={"alk": evolve(alk, reservoir=evolve(alk.reservoir, holds_ul=1_000_000))})
    story.tell(plan_loaded(smaller, START_AT))
    return found + list(_of(story))


def _doses() -> list[Alarm]:
    found: list[Alarm] = []
    for refused in (
        "alk: 2.79 mL refused: the day limit of 115 mL leaves 1.10 mL now. Nothing was pumped. It will fit in 59 min.",
        f"alk: {MANY}",
    ):
        story = Story(PLAN)
        missed = "the rig was not running, or the clock moved past it"
        story.tell(NotGiven("alk", Outcome.REFUSED, 2_790, refused, slot="a", day=TODAY))
        story.tell(NotGiven("alk", Outcome.MISSED, 68_000, missed, slot="b", day=TODAY, doses=24))
        story.settle(story.reserve("alk", 2_790), 4_000, Outcome.UNKNOWN)
        story.tell(ClockMoved(-3600.0))
        found += _of(story)
    return found


def _stops() -> list[Alarm]:
    found: list[Alarm] = []
    for why in HOLDS:
        story = Story(PLAN)
        story.tell(Held(why))
        found += _of(story)
    story = Story(PLAN)
    for start in range(4):
        story.at(60.0 * start).tell(Started("1"))
    found += _of(story)
    found += _of(Story(PLAN), cannot_lay=f"On 2027-03-28 24 doses of each of {MANY} do not fit. Give fewer doses.")
    story = Story(PLAN)
    story.tell(Paused(story.books.proven_ms(story.now), START_AT))
    return found + list(_of(story))


def _clocks() -> list[Alarm]:
    found: list[Alarm] = []
    for policy in WithoutClock:
        for hours in (1, 13):
            for behind in (False, True):
                story = Story(evolve(PLAN, clock=ClockPolicy(without=policy))).at(hours * 3600.0)
                found += _of(story, Trust(False, "none", behind=behind, untrusted_since_mono_s=0.0))
    return found


def _pumps() -> list[Alarm]:
    found = [*_of(Story(PLAN, calibrated=False)), *_of(Story(PLAN).at(100 * DAY_S))]
    story = Story(PLAN)
    story.tell(Retubed("ca"))
    found += _of(story)
    story = Story(PLAN, calibrated=False)
    for day, flow in ((0, 250.0), (14, 243.0)):
        story.at(day * DAY_S)
        for name in PLAN.channels:
            story.tell(Calibrated(name, flow))
    found += _of(story.at(26 * DAY_S))
    story = Story(PLAN)
    story.tell(LedgerMade("a board's", bench=False, full=True))
    return found + list(_of(story))


def _inputs() -> list[Alarm]:
    found: list[Alarm] = []
    full, spent = _filled(1_900_000).at(100 * DAY_S), _filled(101_000).at(100 * DAY_S)
    for name, sensor in sensors_of(PLAN).items():
        unsafe = Judgement(sensor, known=True, since_mono_s=100.0)
        for one in (unsafe, evolve(unsafe, readable=False), evolve(unsafe, chattering=True)):
            found += input_alarms(PLAN, full.books, full.now, {name: one})
        found += input_alarms(PLAN, spent.books, spent.now, {name: evolve(unsafe, unsafe=False)})
    story = Story(PLAN)
    story.tell(Switched("leak", "dry"))
    story.at(100 * DAY_S)
    dry = Judgement(sensors_of(PLAN)["leak"], unsafe=False, known=True)
    return found + list(input_alarms(PLAN, story.books, story.now, {"leak": dry}))


def _daemon() -> list[Alarm]:
    hears = {"dosingd/lagoon/order": "no order arrives, no hold either", "homeassistant/status": "it is not heard"}
    granted = Granted("lagoon", "lagoon", "broker.lan:8883", hears)
    for number, topic in enumerate(hears):
        granted.asked(number, topic)
        granted.answered(number, denied=True)
    for below in ("rig", "alive", "channel/alk"):
        granted.published(f"dosingd/lagoon/{below}", denied=True)
    with Manned(PLAN) as of:
        of.no_broker = (
            "nothing listens at broker.lan:8883. Start the broker, or mend mqtt.host and mqtt.port in the plan."
        )
        of.denied = granted.denied
        of.file = PlanRefused(
            '/etc/dosingd/plan.yaml:34:5: channels.alk.dosis: not a setting here. Did you mean "doses"?\n'
            "/etc/dosingd/plan.yaml:31:13: channels.alk.daily: 82 mL a day is above three quarters of the day limit.\n"
            "2 faults. The running plan stays in force."
        )
        of.ask(Reload(False))
        of.ask(Suspend("alk"))
        of.live(2400.0)
        found = list(of.state().alarms)
    of = Manned(PLAN)
    of.rig.account.write(plan_loaded(evolve(PLAN, sha256="11" * 32), START_AT), of.clock.now())
    of.duty._unconfirmed = tuple(f"{name}: its day limit from 115 mL to 230 mL" for name in PLAN.channels)
    with of:
        of.live(60.0)
        found += of.state().alarms
    with Manned(PLAN) as of:
        of.break_ledger()
        of.ask(Dose("alk", 1_000))
        of.live(60.0)
        return found + list(of.state().alarms)


def gallery() -> list[Alarm]:
    """All of them; no text twice."""
    every = [*_stops(), *_reservoirs(), *_doses(), *_clocks(), *_pumps(), *_inputs(), *_daemon()]
    return list({(one.kind, one.text): one for one in every}.values())


if __name__ == "__main__":
    for one in sorted(gallery(), key=lambda one: list(Kind).index(one.kind)):
        print(f"{one.kind} ({len(one.text)})\n    {one.text}\n    Next: {one.next_step}")
