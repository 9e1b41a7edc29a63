"""The parts of a daemon on real pins, or on a bench: only what the plan needs is imported."""

from __future__ import annotations

import resource
import stat
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from dosingd.clock import Clock
from dosingd.daemon.early import Early
from dosingd.daemon.intake import Intake
from dosingd.daemon.linking import PublishesState
from dosingd.daemon.wiring import Parts
from dosingd.errors import PlanRefused
from dosingd.inputs import Switches
from dosingd.mqtt.granted import Denied
from dosingd.pins_off import write_list
from dosingd.plan.model import Plan
from dosingd.pumps.pump import Rig, output_lines
from dosingd.records import NotGiven, Reserved, Row, Settled
from dosingd.state import RigState


def parts_for(
    state: Path,
    plan_file: Path,
    witness: Path,
    clock: Clock,
    early: Early,
    *,
    bench: bool,
    read_bytes: Callable[[Path], bytes],
) -> Parts:
    """Everything a daemon needs that is not made of the plan."""

    def read(path: Path) -> bytes:
        if not bench:
            refuse_writable_by_others(path)
        return read_bytes(path)

    def make_rig(plan: Plan) -> Rig:
        if early.pulses is not None:
            from dosingd.pumps.bench import BenchRig

            return BenchRig(plan, early.pulses.log)
        from dosingd.pumps.gpio import GpioRig

        # The list first, so that a line is on it before anything can drive it high.
        list_lines(plan)
        return GpioRig.open(plan, state)

    def list_lines(*plans: Plan) -> None:
        if not bench:
            write_list(state, (line for plan in plans for line in output_lines(plan)))

    def make_switches(plan: Plan, rig: Rig) -> Switches:
        if early.pulses is not None:
            from dosingd.inputs.bench import FILE_NAME, FileSwitches

            return FileSwitches(state / FILE_NAME, plan)
        from dosingd.inputs.gpio import GpioSwitches
        from dosingd.pumps.gpio import GpioRig

        assert isinstance(rig, GpioRig)
        return GpioSwitches(plan, rig.factory)

    def make_link(plan: Plan, say: Callable[[str, str], None], orders: Intake) -> PublishesState | None:
        return None if plan.mqtt is None else _Published(plan, clock, say, orders, state)

    return Parts(state, plan_file, witness, bench, clock, early, read, make_rig, make_link, make_switches, list_lines)


def refuse_writable_by_others(path: Path) -> None:
    """Raises PlanRefused where anyone but the file's owner may change what real pumps do."""
    try:
        mode = path.stat().st_mode
    except OSError:
        return  # reading it says why
    if mode & (stat.S_IWGRP | stat.S_IWOTH):
        raise PlanRefused(
            f"{path}: others than its owner may write this plan ({stat.filemode(mode)}), and it moves real pumps."
            f" Nothing was pumped. Mend it: chmod go-w {path}"
        )


class _Published:
    """The broker's link, told of rows as doses."""

    def __init__(self, plan: Plan, clock: Clock, say: Callable[[str, str], None], orders: Intake, state: Path) -> None:
        from dosingd.mqtt.left import FILE_NAME, Left
        from dosingd.mqtt.link import Link

        assert plan.mqtt is not None
        with suppress(OSError, ValueError):
            # From here on the memory holds the broker's password, and a core file would as well.
            resource.setrlimit(resource.RLIMIT_CORE, (0, resource.getrlimit(resource.RLIMIT_CORE)[1]))
        left = Left(state / FILE_NAME, plan.mqtt)
        self._link = Link(plan.mqtt, plan.rig, clock=clock, say=say, orders=orders, left=left)

    @property
    def why_not(self) -> str | None:
        return self._link.why_not

    @property
    def denied(self) -> Denied | None:
        return self._link.denied

    def start(self) -> None:
        self._link.start()

    def show(self, state: RigState) -> None:
        self._link.show(state)

    def told(self, row: Row, reserved: Row | None) -> None:
        from dosingd.mqtt.topics import DoseEvent

        match row.event:
            case NotGiven() as event:
                dose = DoseEvent(
                    event.channel, event.slot, event.due_at, None, event.outcome, event.asked_ul, 0, event.reason
                )
            case Settled() as event:
                asked = reserved.event if reserved is not None and isinstance(reserved.event, Reserved) else None
                dose = DoseEvent(
                    event.channel,
                    event.slot,
                    None if asked is None else asked.due_at,
                    None if reserved is None or event.ran_ms == 0 else reserved.reading.wall_at,
                    event.outcome,
                    event.given_ul if asked is None else asked.asked_ul,
                    event.given_ul,
                    event.reason,
                )
            case _:
                return
        self._link.dose(dose)

    def stop(self, timeout_s: float) -> None:
        self._link.stop(timeout_s)
