"""A plan lived through in virtual time."""

from dosingd.rehearsal.rehearse import Happening, Rehearsal, rehearse
from dosingd.rehearsal.report import ChannelDay, ChannelSum, Day, RaisedAlarm, Report
from dosingd.rehearsal.rig import Spell

__all__ = [
    "ChannelDay",
    "ChannelSum",
    "Day",
    "Happening",
    "RaisedAlarm",
    "Rehearsal",
    "Report",
    "Spell",
    "rehearse",
]
