"""Where the socket lies: a file for its owner and its group (0660).

It is made inside a directory that only the owner may enter and moved to its place when its mode and its group stand:
nobody else can reach it any earlier. The path of a UNIX socket has 107 bytes at most (unix(7)) and state directories
may lie deeper, so both ends go through /proc/self/fd.
"""

from __future__ import annotations

import grp
import os
import socket
import stat
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path

from dosingd.errors import DosingError

#: The socket's name in the state directory, and that of the directory in which it is made.
CONTROL_NAME, DRAFT_NAME = "control", ".control.new"
MODE = 0o660


@contextmanager
def reaching(directory: Path) -> Iterator[int]:
    """A descriptor of the directory, through which the socket is reached however deep it lies."""
    descriptor = os.open(directory, os.O_PATH | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        yield descriptor
    finally:
        os.close(descriptor)


def through(descriptor: int, name: str) -> str:
    return f"/proc/self/fd/{descriptor}/{name}"


def laid(path: Path, group: str | None, queue: int) -> socket.socket:
    """A listening socket at a path, for its owner and its group, with room for so many waiting calls.

    Whatever socket lies there is taken away: the caller holds the state directory's lock. Raises DosingError."""
    gid = _gid(group)
    draft = path.parent / DRAFT_NAME
    with ExitStack() as undo:
        line = undo.enter_context(socket.socket(socket.AF_UNIX, socket.SOCK_STREAM | socket.SOCK_NONBLOCK))
        try:
            _remove_stale(path, draft)
            draft.mkdir(mode=0o700)
            with reaching(draft) as made, reaching(path.parent) as place:
                line.bind(through(made, CONTROL_NAME))
                os.chmod(CONTROL_NAME, MODE, dir_fd=made)
                if gid is not None:
                    os.chown(CONTROL_NAME, -1, gid, dir_fd=made)
                line.listen(queue)
                os.rename(CONTROL_NAME, path.name, src_dir_fd=made, dst_dir_fd=place)
            draft.rmdir()
        except OSError as fault:
            raise DosingError(
                f"{path}: the socket for the commands cannot be laid: {fault.strerror or fault}. See that the "
                "daemon's account owns the directory and is in the socket's group, and move away what stands in its "
                f"place, {DRAFT_NAME} too."
            ) from fault
        undo.pop_all()
    return line


def _gid(group: str | None) -> int | None:
    if group is None:
        return None
    try:
        return grp.getgrnam(group).gr_gid
    except KeyError:
        raise DosingError(
            f'There is no group "{group}" on this machine, so the socket cannot be given to it.'
        ) from None


def _remove_stale(path: Path, draft: Path) -> None:
    """Take away what a daemon left that was killed: only a socket, and only our own directory."""
    with suppress(FileNotFoundError):
        if not stat.S_ISSOCK(path.lstat().st_mode):
            raise DosingError(f"{path}: this is no socket, and stands where the daemon's belongs. Move it away.")
        path.unlink()
    if draft.is_dir() and not draft.is_symlink():
        (draft / CONTROL_NAME).unlink(missing_ok=True)
        draft.rmdir()
