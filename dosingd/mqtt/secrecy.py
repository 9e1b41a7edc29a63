"""Whether the broker's password is kept from others, as its file's mode says."""

from __future__ import annotations

import os
import shlex
import stat
from pathlib import Path

#: Where systemd hands credentials over, with modes of its own (systemd.exec(5), LoadCredential=).
HANDED_OVER = "/run/credentials"


def open_to_others(name: str) -> str | None:
    """That others than its owner may read or change a password file, with the command that mends it; None when not, or
    when there is no such file here."""
    path = Path(name)
    for directory in (os.environ.get("CREDENTIALS_DIRECTORY"), HANDED_OVER):
        if directory and path.is_relative_to(directory):
            return None
    try:
        mode = path.stat().st_mode
    except OSError:
        return None  # reading it says why
    if not mode & (stat.S_IRWXG | stat.S_IRWXO):
        return None
    return (
        f"others than its owner may read or change {name} ({stat.filemode(mode)}), and whoever has the password speaks"
        f" for the rig. Mend it: sudo chmod go= {shlex.quote(name)}"
    )
