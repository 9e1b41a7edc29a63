"""A plan lived through in virtual time."""

from dosingd.rehearsal.rehearse import rehearse
from dosingd.rehearsal.report import ChannelDay, ChannelSum, Day, RaisedAlarm, Report

__all__ = ["ChannelDay", "ChannelSum", "Day", "RaisedAlarm", "Report", "rehearse"]
