"""Does harm to a process, and prints the BOOTTIME (CLOCK_BOOTTIME, seconds) right before.

    strike.py kill PID      SIGKILL
    strike.py stop PID      SIGSTOP: every thread stands still
    strike.py main PID      only the main thread stands still; all others go on
    strike.py others PID    all threads but the main one stand still
    strike.py panic         the kernel gives up

The threads are stopped by ptrace(2), so they stand as long as this program runs: until the process is dead.
"""

import ctypes
import os
import signal
import sys
import time
from pathlib import Path

# Source: Linux, include/uapi/linux/ptrace.h.
PTRACE_SEIZE, PTRACE_INTERRUPT = 0x4206, 0x4207
#: waitpid(2): threads as well.
WALL = 0x40000000


def freeze(threads: list[int]) -> list[int]:
    ptrace = ctypes.CDLL(None, use_errno=True).ptrace
    ptrace.argtypes = [ctypes.c_long, ctypes.c_long, ctypes.c_void_p, ctypes.c_void_p]
    for ask in (PTRACE_SEIZE, PTRACE_INTERRUPT):
        for thread in threads:
            if ptrace(ask, thread, None, None):
                raise OSError(ctypes.get_errno(), f"thread {thread} cannot be stopped")
    for thread in threads:
        os.waitpid(thread, WALL)
    return threads


def wait(threads: list[int]) -> None:
    """Until the process is dead. At once then: a dead thread that is traced keeps its process's place."""
    for thread in threads:
        os.waitpid(thread, WALL)


def main(how: str, pid: int) -> None:
    threads = [int(task.name) for task in Path(f"/proc/{pid}/task").iterdir()] if pid else []
    # A clock of its own, not of the project's.
    print(time.clock_gettime(time.CLOCK_BOOTTIME), flush=True)  # noqa: TID251
    match how:
        case "kill":
            os.kill(pid, signal.SIGKILL)
        case "stop":
            os.kill(pid, signal.SIGSTOP)
        case "main":
            wait(freeze([pid]))
        case "others":
            wait(freeze([thread for thread in threads if thread != pid]))
        case "panic":
            Path("/proc/sysrq-trigger").write_text("c", encoding="ascii")
        case _:
            sys.exit(2)


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]) if len(sys.argv) > 2 else 0)
