"""The plan's switches: looked at, judged, and heeded. None of them can allow a dose."""

from dosingd.inputs.findings import input_alarms
from dosingd.inputs.judging import Judgement, Sensor, Use, flows, look_again_mono_s, sensors_of, step, whys_held
from dosingd.inputs.watch import Rig, Switches, Watch

__all__ = [
    "Judgement",
    "Rig",
    "Sensor",
    "Switches",
    "Use",
    "Watch",
    "flows",
    "input_alarms",
    "look_again_mono_s",
    "sensors_of",
    "step",
    "whys_held",
]
