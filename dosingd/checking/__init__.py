"""A plan against days and allowances: the faults and warnings that a plan alone does not show, and its key figures."""

from dosingd.checking.check import Look, check, look
from dosingd.checking.days import days_worth_laying
from dosingd.checking.figures import ChannelFigures, figures, hours_until_low
from dosingd.checking.raised import RAISE, asked_of, raised, raised_since
from dosingd.checking.warnings import NOT_ACTED_ON_YET, not_acted_on, warnings
from dosingd.errors import Fault

__all__ = [
    "NOT_ACTED_ON_YET",
    "RAISE",
    "ChannelFigures",
    "Fault",
    "Look",
    "asked_of",
    "check",
    "days_worth_laying",
    "figures",
    "hours_until_low",
    "look",
    "not_acted_on",
    "raised",
    "raised_since",
    "warnings",
]
