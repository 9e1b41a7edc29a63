"""dosingd: a dosing controller for reef aquaria that mix their own two-part supplement."""

__version__ = "0.1.0"
