"""What `dose` and `prime` share: the volume as it was typed, the run's answer, and Ctrl-C in the middle of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from dosingd.cli.asking import RUN_S, answer_of, told
from dosingd.cli.reply import DONE, Reply, folded
from dosingd.cli.words import ml
from dosingd.errors import DosingError
from dosingd.requests import Dose, Prime
from dosingd.units import volume_ul


class LeftAlone(DosingError):
    """Whoever asked for a run went away before it ended; the run goes on."""

    code = "stopped"


def volume_of(typed: Sequence[str]) -> int:
    """The volume in µL, from `"4 mL"` or `4 mL`. Raises UnitRefused."""
    return volume_ul(" ".join(typed))


def ran(request: Dose | Prime) -> Reply:
    """The run's reply. Raises Told when it was refused: then nothing was pumped."""
    try:
        answer = answer_of(request, RUN_S)
    except KeyboardInterrupt:
        raise LeftAlone(
            f"You stopped waiting; the daemon did not. If {request.channel} runs, it runs to its end and is booked."
            "\nTo stop it: dosingd hold\nTo see what was given: dosingd history"
        ) from None
    if answer.status and "outcome" not in answer.data:
        raise told(answer)
    messages = [*answer.messages, *([answer.text] if answer.text and answer.status else [])]
    return Reply(answer.data, text_of(request, answer.data) if answer.status == DONE else "", answer.status, messages)


def text_of(request: Dose | Prime, data: Mapping[str, Any]) -> str:
    """What went in, and what will not go in because of it."""
    where = ""
    if isinstance(request, Prime):
        where = " into the cup" if request.into.value == "cup" else " into the tank, where it counts as given"
    lines = [f"{request.channel}: {ml(data['given_ul'])} given{where}."]
    refused = data.get("makes_refused") or ()
    if refused:
        these = "this scheduled dose" if len(refused) == 1 else f"these {len(refused)} scheduled doses"
        lines.append(f"Because of it {these} will be refused, and not made up for:")
    for one in refused:
        volume = f", {ml(one['volume_ul'])}" if "volume_ul" in one else ""
        why = str(one["why"]).removeprefix(f"{one['channel']}: ")
        lines.append(folded(f"  {datetime.fromisoformat(one['at']):%a %H:%M}  {one['channel']}{volume}: {why}"))
    return "\n".join(lines)
