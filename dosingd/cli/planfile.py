"""From the file that the keeper names to a plan that may be acted on, or to one message that says why not."""

from __future__ import annotations

import os
import stat
from collections.abc import Mapping
from pathlib import Path

from attrs import frozen

from dosingd.checking import ChannelFigures, look
from dosingd.cli.words import counted
from dosingd.errors import Fault, PlanRefused
from dosingd.plan import Plan, read_plan
from dosingd.plan.reading import refused_plan
from dosingd.plan.structure import Marks

#: No plan is longer; whatever is longer is another file.
LONGEST_BYTES = 1_000_000


@frozen
class Checked:
    """A plan that reads, with what `check` found in it."""

    name: str
    plan: Plan
    faults: tuple[Fault, ...]
    warnings: tuple[Fault, ...]
    figures: Mapping[str, ChannelFigures]


def bytes_of(path: Path) -> bytes:
    """The file's bytes. Raises PlanRefused, with one fault, when there is no such plan to be read."""
    try:
        with open(path, "rb", opener=_without_waiting) as file:
            if not stat.S_ISREG(os.fstat(file.fileno()).st_mode):
                raise unread(path, "this is a pipe, a socket or a device, not a plan.")
            text = file.read(LONGEST_BYTES + 1)
    except FileNotFoundError:
        raise unread(path, "there is no such file.") from None
    except IsADirectoryError:
        raise unread(path, "this is a directory, not a plan.") from None
    except PermissionError:
        raise unread(path, "this account may not read it.") from None
    except OSError as fault:
        raise unread(path, f"it cannot be read: {fault.strerror or fault}.") from None
    if len(text) > LONGEST_BYTES:
        raise unread(path, f"it is longer than {LONGEST_BYTES // 1_000_000} MB, so it is no plan.")
    return text


def _without_waiting(path: str, flags: int) -> int:
    # A pipe that nobody writes to, or a device, would keep a start or a reload waiting for ever.
    return os.open(path, flags | os.O_NONBLOCK | os.O_NOCTTY)


def unread(path: Path, why: str) -> PlanRefused:
    """The refusal of a file that could not even be read."""
    return PlanRefused(
        f"{path}: {why} Name the plan's file, for example: dosingd check config/lagoon.yaml", [Fault(1, 1, "", why)]
    )


def checked(path: Path) -> Checked:
    """The plan in a file, checked whole. Raises PlanRefused when it does not even read."""
    name = str(path)
    plan, marks = read_plan(bytes_of(path), name)
    seen = look(plan, marks)
    return Checked(name, plan, seen.faults, (*seen.warnings, *_password(plan, marks)), seen.channels)


def _password(plan: Plan, marks: Marks) -> tuple[Fault, ...]:
    """What the plan's text does not show: the password file, where it lies on this machine."""
    if plan.mqtt is None or plan.mqtt.password_file is None:
        return ()
    from dosingd.mqtt.secrecy import open_to_others

    found = open_to_others(plan.mqtt.password_file)
    return () if found is None else (marks.fault("mqtt.password_file", found),)


def sound_plan(path: Path) -> tuple[Plan, tuple[str, ...]]:
    """The plan in a file, and what the keeper must be told before it is acted on.

    Raises PlanRefused with every fault. Of the warnings only those about settings that nothing acts on yet are told
    each time; the others are for `check`.
    """
    found = checked(path)
    if found.faults:
        raise refused_plan(list(found.faults), found.name)
    told = [warning_text(fault, found.name) for fault in found.warnings if fault.message.startswith("not acted on yet")]
    others = len(found.warnings) - len(told)
    if others:
        told.append(f"{counted(others, 'warning')} about this plan: dosingd check {found.name}")
    return found.plan, tuple(told)


def warning_text(fault: Fault, name: str) -> str:
    """A warning as one line, `FILE:LINE:COL: warning: path: message`."""
    where = f"{name}:{fault.line}:{fault.column}: "
    return f"{where}warning: {fault.text(name).removeprefix(where)}"
