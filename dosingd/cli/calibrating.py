"""The guided calibration: what to do, runs into a cup, what was measured, and the outlet back over the tank."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, TypeVar

import click

from dosingd.acceptance import Measured
from dosingd.cli.asking import RUN_S, answer_of, asked, told
from dosingd.cli.calibrate import reply_to, settle
from dosingd.cli.measured import Weighed, measured_of, volumes_ul
from dosingd.cli.reply import Reply, folded, put_messages
from dosingd.cli.words import counted, ml, number
from dosingd.errors import DosingError, Told, UnitRefused
from dosingd.records import Into
from dosingd.requests import MEASURED, Answer, Lengths, Prime, Resume, Suspend, TestRun
from dosingd.units import Kind, Quantity, density_kg_per_l, temperature_c

Value = TypeVar("Value")
#: Refusals that pass: another channel's run was too short a time ago, or is on.
PASSES = ("apart", "busy")


def guided(name: str, weighed: Weighed) -> Reply:
    """Suspend, outlet over the cup, prime, test runs, verdict, outlet back, resume."""
    asked(Suspend(name))
    try:
        put_messages(
            [
                f"{name}: its scheduled doses wait now. Stocks can burn skin and eyes: gloves and goggles on.",
                "You need a measuring cylinder, or a balance that shows a tenth of a gram, and a cup that is dry.",
            ]
        )
        wait_for(name, "hang the outlet over a cup, as high as it hangs over the tank, then press Enter")
        failed: DosingError | None = None
        reply = None
        try:
            reply = _measure(name, weighed)
        except DosingError as fault:  # the outlet hangs over the cup all the same
            failed = fault
            put_messages([str(fault)])
        wait_for(name, "hang the outlet over the tank again, then press Enter")
    except (click.Abort, KeyboardInterrupt):
        raise Told(left_in_the_middle(name, "calibrate"), "stopped", 1) from None
    asked(Resume(name))
    put_messages([f"{name}: its session by hand is over."])
    if reply is None:
        assert failed is not None
        raise failed
    return reply


def left_in_the_middle(name: str, verb: str) -> str:
    """What becomes of a channel whose keeper went away."""
    return (
        f"{name}: left in the middle. Nothing was calibrated; what ran into the cup is booked. A run that is on goes on"
        " to its end; to stop it: dosingd hold. Scheduled doses wait until 30 minutes have passed without input, and"
        f" then an alarm says so. Hang the outlet over the tank; to do it again: dosingd {verb} {name}"
    )


def wait_for(name: str, what: str) -> None:
    """Until a person says that it is done; the session goes on from there."""
    click.prompt(f"{name}: {what}", default="", show_default=False, prompt_suffix=": ", err=True)
    asked(Suspend(name))


def _measure(name: str, weighed: Weighed) -> Reply:
    _fill(name, asked(Lengths(name)).data["prime_ul"])
    while True:
        lengths = asked(Lengths(name)).data["seconds"]
        put_messages([f"{counted(len(lengths), 'run')}, {number(min(lengths))} and {number(max(lengths))} s in turn."])
        measured, weighed = _runs(name, lengths, weighed)
        answer = settle(name, measured)
        if not _again(name, answer):
            return reply_to(name, answer)


def _again(name: str, answer: Answer) -> bool:
    """Whether another set of runs is wanted and agreed to."""
    if answer.status == 0 or not answer.data:
        return False
    shown = reply_to(name, answer)
    put_messages([shown.text, *shown.messages])
    again = click.confirm(f"{name}: measure another set now?", default=True, err=True)
    asked(Suspend(name))
    return again


def _fill(name: str, prime_ul: int) -> None:
    """The line full to its end: air in it would be measured as stock."""
    while True:
        put_messages([f"{name}: filling the line with {ml(prime_ul)}, into the cup."])
        ran(Prime(name, prime_ul, Into.CUP))
        if click.confirm(f"{name}: is the line full to its end, without a bubble?", default=True, err=True):
            asked(Suspend(name))
            return
        asked(Suspend(name))


def ran(request: Prime | TestRun) -> Mapping[str, Any]:
    """One run into the cup, to its end. What another channel's run stands in the way of is asked for again when the
    person says so. Raises Told when it was refused or did not go to its end."""
    while True:
        answer = answer_of(request, RUN_S)
        if answer.code not in PASSES:
            break
        put_messages([f"{answer.text}"])
        wait_for(request.channel, "press Enter to try again")
    if answer.status:
        raise told(answer)
    return answer.data


def _runs(name: str, lengths: Sequence[float], weighed: Weighed) -> tuple[Measured, Weighed]:
    given: list[Quantity] = []
    seconds: list[float] = []
    for number_of, length_s in enumerate(lengths, start=1):
        wait_for(name, f"run {number_of} of {len(lengths)}: empty the cup or tare it, then press Enter")
        ran_s = float(ran(TestRun(name, seconds=length_s))["ran_s"])
        seconds.append(ran_s)
        given.append(_ask(f"{name}: {ran_s:.2f} s. What was measured", "2.5 mL or 2.51 g", measured_of))
        asked(Suspend(name))
        if given[-1].kind is Kind.MASS and weighed == Weighed():
            weighed = _what_was_weighed(name)
    while True:
        try:
            volumes = volumes_ul(given, weighed)
            break
        except UnitRefused as refused:
            put_messages([str(refused)])
            if weighed != Weighed() and all(each.kind is Kind.VOLUME for each in given):
                weighed = Weighed()
                continue
            raise
    runs = tuple(zip(seconds, volumes, strict=True))
    return Measured(runs, MEASURED, weighed.water_c, weighed.density_kg_per_l), weighed


def _what_was_weighed(name: str) -> Weighed:
    def read(text: str) -> Weighed:
        try:
            return Weighed(water_c=temperature_c(text))
        except UnitRefused:
            found = Weighed(density_kg_per_l=density_kg_per_l(text))
        found.ul_per_g()
        return found

    question = f"{name}: what is weighed: water of which temperature, or a stock of which density"
    return _ask(question, "22 degC or 1.08 kg/L", read)


def _ask(question: str, example: str, read: Callable[[str], Value]) -> Value:
    """An answer that can be read; what cannot is refused in words and asked for again."""
    while True:
        typed = str(click.prompt(f"{question} ({example})", prompt_suffix=": ", err=True))
        try:
            return read(typed)
        except UnitRefused as refused:
            put_messages([folded(str(refused))])
