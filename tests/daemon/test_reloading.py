"""A reload with a full disk, with a line that does not answer, and with another broker: the daemon's own part of it."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from attrs import evolve

from dosingd.daemon.wiring import Daemon
from dosingd.errors import PinsFailed, PinsRefused
from dosingd.mqtt.granted import Denied
from dosingd.plan.model import Broker, Plan
from dosingd.records import Row
from dosingd.state import RigState
from tests.daemon.child import CALM, Rig, wait_until

FULL = OSError(28, "No space left on device")


class Link:
    """A broker's link that only remembers what became of it."""

    def __init__(self, plan: Plan) -> None:
        self.plan, self.stopped = plan, False
        self.why_not: str | None = None
        self.denied: Denied | None = None

    def start(self) -> None:
        pass

    def show(self, state: RigState) -> None:
        pass

    def told(self, row: Row, reserved: Row | None) -> None:
        pass

    def stop(self, timeout_s: float) -> None:
        threading.Event().wait(0.02)  # taking leave of a broker lasts
        self.stopped = True


class Bench:
    """A daemon in this process, with its turn thread and without its control loop."""

    def __init__(self, directory: Path, *, begins: bool = True) -> None:
        of = Rig(directory, CALM)
        self.listed: list[tuple[Plan, ...]] = []
        self.links: list[Link] = []
        #: How many more lists the disk takes; None: any number.
        self.room: int | None = None
        self.daemon = Daemon(evolve(of.parts(), list_lines=self._list_lines, make_link=self._make_link))
        self.said: list[tuple[str, str]] = []
        self.daemon._journal.say = lambda priority, text: self.said.append((priority, text))  # type: ignore[method-assign]
        self.duty = self.daemon._duty
        self.duty.thread.start()
        if begins:
            self.daemon._ready.set()
            assert self.duty.begun.wait(20.0)

    def _list_lines(self, *plans: Plan) -> None:
        if self.room is not None:
            if self.room == 0:
                raise FULL
            self.room -= 1
        self.listed.append(plans)

    def _make_link(self, plan: Plan, *_: object) -> Link | None:
        if plan.mqtt is None:
            return None
        self.links.append(Link(plan))
        return self.links[-1]

    def on_turn(self, work: Callable[[], None]) -> BaseException | None:
        """Done by the turn thread; what it raised."""
        came: list[BaseException] = []
        done = threading.Event()

        def carry_out() -> None:
            try:
                work()
            except Exception as fault:
                came.append(fault)
            done.set()

        self.duty.post(carry_out)
        assert done.wait(20.0)
        return came[0] if came else None

    def bring(self, plan: Plan) -> BaseException | None:
        return self.on_turn(lambda: self.daemon._bring(plan))


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    of = Bench(tmp_path)
    yield of
    of.daemon._go_down()


def other(of: Bench) -> Plan:
    plan = of.duty.plan
    return evolve(plan, sha256="11" * 32, channels={"alk": plan.channels["alk"]}, apart=())


def test_a_disk_that_takes_no_list_refuses_the_reload_before_anything_changes(bench: Bench) -> None:
    old, pumps = bench.duty.plan, bench.daemon._rig.pumps
    bench.room = 0
    fault = bench.bring(other(bench))
    assert isinstance(fault, PinsRefused)
    assert str(fault) == (
        "The lines that must be low when no daemon runs could not be written down: [Errno 28] No space left on device."
        " Nothing was changed, and the running plan stays in force. Make room on the disk, then: dosingd reload"
    )
    assert bench.duty.plan is old
    assert bench.daemon._rig.pumps is pumps
    assert bench.duty.fault is None


def test_a_list_that_only_shrinks_and_cannot_is_told_and_the_plan_comes_into_force(bench: Bench) -> None:
    new = other(bench)
    bench.room = 1
    assert bench.bring(new) is None
    assert bench.duty.plan is new
    assert set(bench.daemon._rounds.turn.pumps) == {"alk"}
    [(priority, text)] = [one for one in bench.said if "list of lines" in one[1]]
    assert priority == "warning"
    assert "No space left on device" in text


def test_a_line_that_fails_at_a_reload_holds_the_rig_with_the_words(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    old = bench.duty.plan

    def fails(plan: Plan) -> None:
        raise PinsFailed("alk: its line was driven low and still reads high.")

    monkeypatch.setattr(bench.daemon._rig, "refit", fails)
    fault = bench.bring(other(bench))
    assert isinstance(fault, PinsFailed)
    assert "The rig is held, and the plan before stays in force." in str(fault)
    held = bench.daemon._rounds.account.books.held
    assert held is not None
    assert "alk: its line was driven low and still reads high." in held
    assert bench.duty.plan is old
    assert bench.duty.fault is None


def test_inputs_that_are_refused_leave_the_former_pumps_and_no_hold(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    old, refit = bench.duty.plan, bench.daemon._switches.refit

    def fails(plan: Plan) -> None:
        if plan is not old:
            raise PinsRefused("GPIO 13 belongs to another process.")
        refit(plan)

    monkeypatch.setattr(bench.daemon._switches, "refit", fails)
    assert isinstance(bench.bring(other(bench)), PinsRefused)
    assert bench.daemon._rounds.account.books.held is None
    assert set(bench.daemon._rig.pumps) == {"alk", "ca"}
    assert bench.daemon._rounds.turn.pumps is bench.daemon._rig.pumps


def test_reloads_in_a_row_that_change_the_broker_leave_one_link_of_the_last_plan(bench: Bench) -> None:
    plan = bench.duty.plan
    plans = [evolve(plan, mqtt=Broker(f"broker-{number}.lan")) for number in range(6)]

    def all_at_once() -> None:
        for one in plans:
            bench.daemon._bring(one)

    assert bench.on_turn(all_at_once) is None
    wait_until(lambda: not [one for one in threading.enumerate() if one.name == "relink"], "every link was made")
    standing = [link for link in bench.links if not link.stopped]
    assert [link.plan for link in standing] == [plans[-1]]
    assert bench.daemon._linking.link is standing[0]


def test_after_going_down_no_reload_makes_a_link(bench: Bench) -> None:
    bench.on_turn(lambda: bench.daemon._rounds.reload(evolve(bench.duty.plan, mqtt=Broker("broker.lan"))))
    bench.daemon._linking.stop()
    bench.daemon._linking.change()
    assert bench.links == []


def test_a_ledger_that_fails_at_the_start_is_ready_and_does_not_say_that_it_doses(bench: Bench) -> None:
    bench.daemon._say_begun()
    assert bench.said[-1] == ("notice", "calm: it doses. To see it: dosingd status")
    bench.duty.ledger_fault = "The disk is full."
    bench.daemon._say_begun()
    assert bench.said[-1] == (
        "error",
        "calm: it runs, but it does NOT dose: The disk is full. To see it: dosingd status",
    )
    bench.duty.ledger_fault = None


def test_ready_is_said_before_the_first_round_and_the_first_round_waits_for_it(tmp_path: Path) -> None:
    of = Bench(tmp_path, begins=False)
    told: list[bool] = []
    of.daemon._notify.ready = lambda: told.append(of.duty.begun.is_set())  # type: ignore[method-assign]
    try:
        assert of.duty.opened.wait(20.0)
        assert not of.duty.begun.wait(0.1)
        loop = threading.Thread(target=of.daemon._dose, daemon=True)
        loop.start()
        assert of.duty.begun.wait(20.0)
        of.daemon._stop_asked = 15
        of.daemon._bell.ring()
        loop.join(20.0)
    finally:
        of.daemon._go_down()
    assert told == [False]


def test_a_daemon_that_is_stopped_before_it_was_ready_goes_down_at_once(tmp_path: Path) -> None:
    of = Bench(tmp_path, begins=False)
    assert of.duty.opened.wait(20.0)
    assert of.daemon._go_down() == 0
    assert of.duty.ended.is_set()
