"""Carries out commands that come as JSON lines over a serial line, each in a thread of its own, and answers each.

In: {"id": 1, "run": "shell text", "input": "text or absent"}
Out: {"hello": boot id}, once; {"id": 1, "status": 0, "out": "...", "err": "..."}
"""

import json
import os
import subprocess
import threading
import tty
from typing import Any

PORT = os.open("/dev/ttyS1", os.O_RDWR | os.O_NOCTTY)
LOCK = threading.Lock()


def tell(**what: Any) -> None:
    text = memoryview(json.dumps(what).encode() + b"\n")
    with LOCK:
        while text:
            text = text[os.write(PORT, text) :]


def carry_out(asked: dict[str, Any]) -> None:
    done = subprocess.run(
        ["/bin/sh", "-c", asked["run"]],
        input=asked.get("input", ""),
        capture_output=True,
        text=True,
        errors="replace",
        check=False,
        start_new_session=True,
    )
    tell(id=asked["id"], status=done.returncode, out=done.stdout, err=done.stderr)


def main() -> None:
    tty.setraw(PORT)
    with open("/proc/sys/kernel/random/boot_id", encoding="ascii") as boot:
        tell(hello=boot.read().strip())
    with os.fdopen(os.dup(PORT), "rb") as lines:
        for line in lines:
            try:
                asked = json.loads(line)
            except ValueError:
                continue  # the rest of a line from before this boot
            threading.Thread(target=carry_out, args=(asked,), daemon=True).start()


if __name__ == "__main__":
    main()
