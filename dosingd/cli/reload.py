"""`dosingd reload`: the plan's file again, between two doses."""

from __future__ import annotations

import click

from dosingd.cli.asking import answer_of, on_terminal, told
from dosingd.cli.reply import DONE, Reply, put_messages
from dosingd.cli.wishes import options_everywhere
from dosingd.requests import Answer, Reload

#: The file is read, checked and laid for a day before anything changes; a full plan takes a small board a while.
RELOAD_S = 60.0


@click.command(
    epilog="Example:  dosingd reload",
)
@click.option("--yes", is_flag=True, help="Yes, it may dose over 20 % more, or loosen a guard.")
@options_everywhere
def reload(yes: bool) -> Reply:
    """Have the running daemon read its plan again. A plan with a fault changes nothing.

    Levels, limits' allowances and what was given stay; the rest of the day is laid anew. A plan that raises a
    channel's daily change by more than 20 %, or that loosens a limit, a gap, quiet time or an input, asks for --yes.
    """
    answer = answer_of(Reload(yes), RELOAD_S)
    if answer.code == "confirm" and on_terminal():
        answer = _confirmed(answer)
    if answer.status != DONE:
        raise told(answer)
    return Reply(answer.data, str(answer.data.get("message", "")), messages=answer.messages)


def _confirmed(refused: Answer) -> Answer:
    put_messages([refused.text or ""])
    if not click.confirm("Bring this plan into force?", default=False, err=True):
        return refused
    return answer_of(Reload(yes=True), RELOAD_S)
