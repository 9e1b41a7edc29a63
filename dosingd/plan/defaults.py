"""What holds where a plan is silent, each value once. README names them all.

`limits.run` is twice what the day limit takes at the nominal flow (R7); a plan with `quiet` waits when the clock is not
trusted (R14).
"""

from __future__ import annotations

SALINITY = 35.0
TEMPERATURE_C = 25.0
COLDEST_C = 20.0
SMALLEST_UL = 1
#: The reserve is this share of what the reservoir holds.
RESERVE_PERCENT = 5
WARN_DAYS = 7.0
#: `limits.run`, as a multiple of the time that the day limit takes at the nominal flow.
RUN_TIMES = 2
PORT = 1883
PORT_TLS = 8883
