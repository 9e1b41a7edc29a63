"""A hand on one GPIO line, besides the daemon's: drives it to a level. Prints when it has, by CLOCK_BOOTTIME.

hand.py LINE LEVEL              and lets go of it
hand.py LINE LEVEL SECONDS      and holds it for so long
hand.py LINE LEVEL exec WORDS   lets go of it and becomes another program
"""

import os
import sys
import time

os.environ["LG_WD"] = "/run"
import lgpio

line, level, *then = sys.argv[1:]
chip = lgpio.gpiochip_open(0)
lgpio.gpio_claim_output(chip, int(line), int(level))
if then and then[0] != "exec":
    print("holds", flush=True)
    time.sleep(float(then[0]))  # noqa: TID251
lgpio.gpiochip_close(chip)
print(time.clock_gettime(time.CLOCK_BOOTTIME), flush=True)  # noqa: TID251 - a clock of its own, not of the project's
if then and then[0] == "exec":
    os.execv(then[1], then[1:])
