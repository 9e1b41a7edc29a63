"""`dosingd hold`: every pump off until a person releases the rig (R11)."""

from __future__ import annotations

import click

from dosingd.cli.asking import asked
from dosingd.cli.reply import Reply
from dosingd.cli.wishes import options_everywhere
from dosingd.requests import Hold


@click.command(
    epilog='Example:  dosingd hold --why "moving the reservoirs"',
)
@click.option("--why", metavar="TEXT", help="The reason, for whoever finds the rig held; 200 characters at most.")
@options_everywhere
def hold(why: str | None) -> Reply:
    """Stop every pump now, and hold the rig until a person says `dosingd release`.

    A hold outlives a restart. For a stop that ends by itself: dosingd pause. The daemon must be running: without it no
    pump can run.
    """
    answer = asked(Hold(why))
    return Reply(answer.data, str(answer.data.get("message", "")), messages=answer.messages)
