"""`dosingd pause`: a stop that ends by itself."""

from __future__ import annotations

import click

from dosingd.cli.asking import asked
from dosingd.cli.reply import Reply
from dosingd.cli.wishes import options_everywhere
from dosingd.requests import Pause
from dosingd.units import duration_s


@click.command(
    epilog='Example:  dosingd pause "30 min"',
)
@click.argument("time", metavar="TIME", nargs=-1, required=True)
@options_everywhere
def pause(time: tuple[str, ...]) -> Reply:
    """Stop every pump for a TIME such as "30 min" or "2 h", 4 hours at most; `pause off` ends it.

    What is due meanwhile is missed and not made up for. The daemon must be running: without it no pump can run.
    """
    typed = " ".join(time)
    answer = asked(Pause(None if typed.strip().lower() == "off" else duration_s(typed)))
    return Reply(answer.data, str(answer.data.get("message", "")), messages=answer.messages)
