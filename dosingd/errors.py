"""Every error class of the project. A docstring here is the plain sentence we would say to the keeper."""

from __future__ import annotations

from collections.abc import Sequence

from attrs import frozen


@frozen
class Fault:
    """One thing wrong (or, as a warning, doubtful) in a plan: where it stands in the file, which setting it is, and
    what is wrong and would be right. Line and column count from 1; the path is empty for a fault of the whole file."""

    line: int
    column: int
    path: str
    message: str

    def text(self, name: str) -> str:
        """The fault as one line, `FILE:LINE:COL: path: message`, which editors can jump to."""
        return ": ".join(part for part in (f"{name}:{self.line}:{self.column}", self.path, self.message) if part)


class DosingError(Exception):
    """Something could not be done; the message says what, and what to do next."""

    #: The code that a refusal carries in JSON.
    code = "failed"
    #: The exit status of the command line: 1 failed while doing it, 2 refused.
    exit_status = 1


class Refusal(DosingError):
    """This was refused before anything was done."""

    code = "refused"
    exit_status = 2


class PlanRefused(Refusal):
    """The plan has faults; each is listed with its line and its cure."""

    code = "plan"

    def __init__(self, message: str, faults: Sequence[Fault] = ()) -> None:
        super().__init__(message)
        self.faults = tuple(faults)


class UnitRefused(Refusal):
    """This is not a quantity of the kind that belongs here."""

    code = "unit"


class ChemistryRefused(Refusal):
    """These numbers make no chemical sense, or lie outside the table that would answer."""

    code = "chemistry"


class CannotLay(Refusal):
    """The day cannot be laid with these gaps, windows and volumes."""

    code = "day"

    def __init__(self, reason: str, cure: str) -> None:
        super().__init__(f"{reason} {cure}")
        self.reason = reason
        self.cure = cure


class LedgerRefused(Refusal):
    """The ledger cannot be trusted, so no pump may run until a person has looked."""

    code = "ledger"


class LedgerFailed(DosingError):
    """The ledger could not be written, so nothing may be pumped."""

    code = "ledger"


class RefillRefused(Refusal):
    """This cannot have been poured so, or does not say enough, so nothing was booked."""

    code = "refill"


class RequestRefused(Refusal):
    """This is not a request that the daemon takes."""

    code = "request"


class NoDaemon(Refusal):
    """No daemon runs here, so no pump can run and nothing was done."""

    code = "no-daemon"


class Silent(Refusal):
    """A daemon runs here and cannot be spoken to, so it may be dosing and nothing was done."""

    code = "silent"


class NoEntry(Refusal):
    """This account may not speak with the daemon, so nothing was done."""

    code = "permission"


class Told(DosingError):
    """What the daemon answered: refused or failed, with its own code and in its own words."""

    def __init__(self, text: str, code: str, exit_status: int) -> None:
        super().__init__(text)
        self.code = code
        self.exit_status = exit_status


class PinsRefused(Refusal):
    """These pins cannot be taken, so no pump may run and nothing was pumped."""

    code = "pins"


class PinsFailed(DosingError):
    """A line did not do what it was told."""

    code = "pins"
