"""`dosingd release`: the end of a hold, which only a person makes (R11)."""

from __future__ import annotations

import click

from dosingd.cli.asking import asked
from dosingd.cli.reply import Reply
from dosingd.cli.wishes import options_everywhere
from dosingd.requests import Release


@click.command(
    epilog="Example:  dosingd release",
)
@click.option("--clock", is_flag=True, help="Say too that the clock is right, although it is behind the newest entry.")
@options_everywhere
def release(clock: bool) -> Reply:
    """Let a held rig dose again. See first why it was held: dosingd status.

    What was due meanwhile is not made up for. The daemon must be running.
    """
    answer = asked(Release(clock))
    return Reply(answer.data, str(answer.data.get("message", "")), messages=answer.messages)
