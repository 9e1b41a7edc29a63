"""Two kernel modules that Debian does not build: gpio-sim, simulated GPIO lines, and irq_sim, which it needs.

They are taken from Debian's own kernel source when an image is built; none of it is kept here. gpio-sim is changed in
one thing: with `persist=1` a line that was an output keeps its level when it is let go, as a Raspberry Pi's kernel is
documented to do, and falls to its pull only when it is made an input.
"""

from __future__ import annotations

import re
import subprocess
import tarfile
from pathlib import Path

_WANTED = {"drivers/gpio/gpio-sim.c", "drivers/gpio/gpiolib.h", "kernel/irq/irq_sim.c"}


def release() -> str:
    """The release of the kernel whose headers are installed, such as 6.1.0-30-amd64."""
    depends = subprocess.run(
        ["dpkg-query", "-W", "-f", "${Depends}", "linux-headers-amd64"], capture_output=True, text=True, check=False
    ).stdout
    found = re.match(r"linux-headers-(\S+)", depends)
    if found is None:
        from tests.machine.build import CannotBuild

        raise CannotBuild("the kernel's headers are missing: apt-get install linux-headers-amd64")
    return found[1]


def build(source: Path, kernel: str, place: Path) -> list[Path]:
    """Build both, in the order in which they are loaded. `source` is where linux-source was unpacked."""
    from tests.machine.build import said

    place.mkdir()
    with tarfile.open(next(source.glob("usr/src/linux-source-*.tar.xz"))) as tar:
        left = set(_WANTED)
        for member in tar:
            name = member.name.split("/", 1)[-1]
            if name in left:
                text = tar.extractfile(member)
                assert text is not None
                (place / Path(name).name).write_bytes(text.read())
                left.remove(name)
                if not left:
                    break
    _change(place / "gpio-sim.c", _PERSIST)
    _change(place / "irq_sim.c", _IRQ)
    (place / "Makefile").write_text("obj-m := irq_sim.o gpio-sim.o\n", encoding="ascii")
    said("make", "-s", "-C", f"/usr/src/linux-headers-{kernel}", f"M={place}", "modules")
    return [place / "irq_sim.ko", place / "gpio-sim.ko"]


#: What is replaced by what; each must be found exactly once.
_IRQ = (
    ("handle_simple_irq(irq_to_desc(irqnum))", "generic_handle_irq(irqnum)"),
    ("#include <linux/irq.h>", '#include <linux/irq.h>\n#include <linux/module.h>\nMODULE_LICENSE("GPL");'),
)
_PERSIST = (
    (
        "static DEFINE_IDA(gpio_sim_ida);",
        "static DEFINE_IDA(gpio_sim_ida);\n\nstatic bool persist;\nmodule_param(persist, bool, 0644);",
    ),
    (
        "\tmutex_lock(&chip->lock);\n\t__assign_bit(offset, chip->value_map, !!test_bit(offset, chip->pull_map));\n",
        "\tif (persist && !test_bit(offset, chip->direction_map))\n\t\treturn;\n\n"
        "\tmutex_lock(&chip->lock);\n\t__assign_bit(offset, chip->value_map, !!test_bit(offset, chip->pull_map));\n",
    ),
    (
        "\t__set_bit(offset, chip->direction_map);\n",
        "\t__set_bit(offset, chip->direction_map);\n"
        "\tif (persist)\n"
        "\t\t__assign_bit(offset, chip->value_map, !!test_bit(offset, chip->pull_map));\n",
    ),
)


def _change(file: Path, changes: tuple[tuple[str, str], ...]) -> None:
    text = file.read_text(encoding="utf-8")
    for old, new in changes:
        assert text.count(old) == 1, f"{file.name} has changed: {old!r} is in it {text.count(old)} times"
        text = text.replace(old, new)
    file.write_text(text, encoding="utf-8")
