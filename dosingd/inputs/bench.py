"""The switches of a bench: a file that is edited by hand, so that everything can be tried without pins.

    {"leak": "closed", "float.alk": "open"}

Names are those of the plan's `inputs`, and `float.CHANNEL`. What is not named, and everything where there is no file,
says what is safe: a bench has no wires. What cannot be read says what is unsafe, as a broken wire would.
"""

from __future__ import annotations

import json
from pathlib import Path

from dosingd.inputs.judging import sensors_of
from dosingd.plan.model import Plan

FILE_NAME = "inputs.json"
#: No bench has so many switches; whatever is longer is another file.
LONGEST_BYTES = 10_000


class FileSwitches:
    """The contacts as the file says; it is read again when it has changed."""

    def __init__(self, path: Path, plan: Plan) -> None:
        self._path = path
        self._seen: tuple[int, int, int] | None = None
        self._said: dict[str, object] | None = {}
        self._sensors = sensors_of(plan)

    def refit(self, plan: Plan) -> None:
        """The switches of another plan."""
        self._sensors = sensors_of(plan)

    def close(self) -> None:
        """Nothing is held."""

    def closed(self, name: str) -> bool | None:
        """Whether a contact is closed; None when the file does not say so in words that are known."""
        said = self._read()
        if said is None:
            return None
        if name not in said:
            return not self._sensors[name].unsafe_when_closed
        return {"closed": True, "open": False}.get(str(said[name]))

    def _read(self) -> dict[str, object] | None:
        try:
            found = self._path.stat()
        except FileNotFoundError:
            self._seen = None
            return {}
        except OSError:
            return None
        seen = (found.st_mtime_ns, found.st_size, found.st_ino)
        if seen != self._seen:
            self._seen, self._said = seen, _switches_in(self._path)
        return self._said


def _switches_in(path: Path) -> dict[str, object] | None:
    try:
        with path.open("rb") as file:
            said = json.loads(file.read(LONGEST_BYTES))
    except (OSError, ValueError):
        return None
    return said if isinstance(said, dict) else None
