"""The plan: what the keeper wrote, read strictly, kept as frozen values."""

from dosingd.errors import Fault
from dosingd.plan.model import Plan
from dosingd.plan.reading import read_plan
from dosingd.plan.structure import Marks

__all__ = ["Fault", "Marks", "Plan", "read_plan"]
