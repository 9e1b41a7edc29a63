"""`dosingd identify`: the swap check. Each head runs in turn, and a person says which cup filled, which level fell."""

from __future__ import annotations

import click

from dosingd.cli.asking import answer_of, asked, on_terminal, told
from dosingd.cli.calibrating import ran
from dosingd.cli.reply import Reply, put_messages
from dosingd.cli.wishes import options_everywhere
from dosingd.cli.words import ml
from dosingd.errors import DosingError, Told
from dosingd.requests import Answer, Identify, Lengths, Resume, Status, Suspend, TestRun

NONE = "none"


@click.command(
    epilog="Example:  dosingd identify",
)
@options_everywhere
def identify() -> Reply:
    """Find swapped lines, tubes and stocks before the first dose.

    Each head runs in turn for a few millilitres, booked, into a cup of its own; you say which cup filled and which
    reservoir fell. What disagrees holds the rig. It needs a terminal and the running daemon.
    """
    if not on_terminal():
        raise click.UsageError("It asks what you see, so it needs a terminal.", click.get_current_context())
    names = list(asked(Status()).data["channels"])
    for name in names:
        asked(Suspend(name))
    answer: Answer | None = None
    failed: DosingError | None = None
    try:
        put_messages(
            [
                "All scheduled doses wait now. Stocks can burn skin and eyes: gloves and goggles on.",
                f"One cup for each outlet: {', '.join(names)}. Mark each reservoir's level with a strip of tape.",
            ]
        )
        _enter("Hang each outlet over its own cup, then press Enter")
        try:
            answer = _look(names)
        except DosingError as fault:  # the outlets hang over the cups all the same
            failed = fault
            put_messages([str(fault)])
        _enter("Hang every outlet over the tank again, then press Enter")
    except (click.Abort, KeyboardInterrupt):
        raise Told(
            "Left in the middle: nothing was identified; what ran into cups is booked. Scheduled doses wait until 30 "
            "minutes have passed without input, and then an alarm says so. Hang the outlets over the tank; to do it "
            "again: dosingd identify",
            "stopped",
            1,
        ) from None
    for name in names:
        asked(Resume(name))
    if answer is None:
        assert failed is not None
        raise failed
    if answer.status:
        raise told(answer)
    return Reply(answer.data, str(answer.data.get("message", "")), messages=answer.messages)


def _look(names: list[str]) -> Answer:
    seen: dict[str, tuple[str, str]] = {}
    for name in names:
        volume_ul = int(asked(Lengths(name)).data["identify_ul"])
        _enter(f"{name} runs next, {ml(volume_ul)}. Look at the cups and at the levels. Press Enter")
        ran(TestRun(name, volume_ul=volume_ul))
        cup = _which("Whose cup filled", names)
        reservoir = _which("Whose reservoir fell", names)
        seen[name] = (cup, reservoir)
        for each in names:  # a person is there: every session goes on
            asked(Suspend(each))
    return answer_of(Identify(seen))


def _which(question: str, names: list[str]) -> str:
    typed = click.prompt(question, type=click.Choice([*names, NONE]), err=True)
    return "" if typed == NONE else str(typed)


def _enter(what: str) -> None:
    click.prompt(what, default="", show_default=False, prompt_suffix=": ", err=True)
