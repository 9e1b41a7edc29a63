"""What new stocks change, before anyone pours: each channel before and after, and the steps of the change-over."""

from dosingd.changeover.change import ChangeOver, change_over, text_with
from dosingd.changeover.standings import USUAL_DKH, Change, Standing
from dosingd.changeover.steps import Step

__all__ = ["USUAL_DKH", "Change", "ChangeOver", "Standing", "Step", "change_over", "text_with"]
