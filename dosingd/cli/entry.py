"""The way in: finds the verb, prints its reply, and turns whatever goes wrong into one clear message."""

from __future__ import annotations

import difflib
import importlib
import sys
import traceback
from collections.abc import Sequence
from typing import NoReturn

import click

from dosingd import __version__
from dosingd.cli.reply import DONE, FAILED, REFUSED, Reply, give, give_refusal, make_streams_forgiving, reader_went_away
from dosingd.cli.wishes import options_everywhere, wishes
from dosingd.errors import DosingError

#: Each in dosingd/cli/<verb>.py, read only when it is called: starting is part of what a keeper waits for.
VERBS = (
    "check",
    "day",
    "rehearse",
    "init",
    "run",
    "status",
    "history",
    "dose",
    "prime",
    "calibrate",
    "retube",
    "identify",
    "hold",
    "release",
    "pause",
    "reload",
    "refill",
    "bake",
    "mix",
    "convert",
    "ph",
    "changeover",
)


class Verbs(click.Group):
    """The verbs, in the order in which a keeper meets them."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(VERBS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in VERBS:
            return None
        command: click.Command = getattr(importlib.import_module(f"dosingd.cli.{cmd_name}"), cmd_name)
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        if args and args[0] not in VERBS and not args[0].startswith("-"):
            near = difflib.get_close_matches(args[0], VERBS, n=1)
            hint = f'Did you mean "{near[0]}"?' if near else f"The verbs are: {', '.join(VERBS)}."
            raise click.UsageError(f'There is no verb "{args[0]}". {hint}', ctx)
        return super().resolve_command(ctx, args)


@click.group(
    cls=Verbs,
    invoke_without_command=True,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="Exit status: 0 done, 1 failed while doing it, 2 refused.",
)
@click.version_option(__version__, prog_name="dosingd", message="%(prog)s %(version)s")
@options_everywhere
@click.pass_context
def verbs(ctx: click.Context) -> None:
    """Doses the stocks of a reef aquarium as a plan says: little, often, apart, and never past a limit.

    \b
    Example:
      dosingd rehearse config/lagoon.yaml
    """
    if ctx.invoked_subcommand is None and not wishes().json:
        raise click.exceptions.NoArgsIsHelpError(ctx)
    if ctx.invoked_subcommand is None:
        raise click.UsageError(f"Name a verb: {', '.join(VERBS)}.", ctx)


def run(arguments: Sequence[str]) -> int:
    """Carry out one command line; prints, and returns the exit status."""
    # Looked for by hand, because a line that cannot be parsed must still be answered in the form it asked for.
    own = list(arguments[: arguments.index("--")] if "--" in arguments else arguments)
    as_json, debug = "--json" in own, "--debug" in own
    make_streams_forgiving()
    try:
        try:
            reply = verbs.main(args=list(arguments), prog_name="dosingd", standalone_mode=False)
            return give(reply, as_json) if isinstance(reply, Reply) else int(reply or DONE)
        except BrokenPipeError:
            raise
        except click.UsageError as fault:
            where = fault.ctx.command_path if fault.ctx is not None else "dosingd"
            return give_refusal("usage", f"{fault.format_message()}\nTo see how: {where} --help", REFUSED, as_json)
        except click.ClickException as fault:
            return give_refusal("usage", fault.format_message(), REFUSED, as_json)
        except (click.Abort, KeyboardInterrupt):
            return give_refusal("stopped", "Stopped from the keyboard before it was done.", FAILED, as_json)
        except DosingError as fault:
            if debug:
                traceback.print_exc()
            return give_refusal(fault.code, str(fault), fault.exit_status, as_json)
        except Exception as fault:
            if debug:
                traceback.print_exc()
            return give_refusal("failed", unexpected(fault, own), FAILED, as_json)
    except BrokenPipeError:
        return reader_went_away()


def unexpected(fault: Exception, arguments: Sequence[str]) -> str:
    """What to say of a fault that nobody foresaw."""
    said = str(fault) or "no more is known"
    again = " ".join(["dosingd", *arguments])
    # The daemon may have dosed for weeks before; every other verb only asks.
    daemon = next((word for word in arguments if word in VERBS), None) == "run"
    pumped = "What was pumped shows: dosingd history" if daemon else "Nothing was pumped."
    if isinstance(fault, OSError):
        return f"The system said no: {said}. {pumped}"
    return (
        f"This is a fault in dosingd itself ({type(fault).__name__}: {said}). {pumped}\n"
        f"To see where it happened: {again} --debug"
    )


def main() -> NoReturn:
    """The command `dosingd`."""
    sys.exit(run(sys.argv[1:]))
