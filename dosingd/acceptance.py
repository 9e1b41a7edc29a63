"""Which test runs make a calibration, which wait for a second set, and which are refused and why.

A wrong flow is a wrong dose, every day, so what cannot be is refused: too few runs, one length, runs that do not lie on
a line, a pump that would be half or twice what it is rated at. What could be and is strange (a flow far off the last
one on the same tubing) is kept and waits for a second set of runs that agrees with it.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from attrs import evolve, frozen

from dosingd.books import Books
from dosingd.calibration import MOST_LAG_SHARE, Flow, run_s_from_volume, too_small_for
from dosingd.daily import daily_volume_ul
from dosingd.fitting import Fit, Run, fitted
from dosingd.flows import flow_of, head_of, valid_calibration
from dosingd.plan.model import Plan
from dosingd.records import Calibrated, CalibrationDoubted, HeadRow
from dosingd.strengths import strengths_of
from dosingd.tubing import Calibration, Tubing, comparable, speed_of
from dosingd.words import ml, number, plain

#: Two runs fit any line; the third is the first that can disagree.
LEAST_RUNS = 3
#: The longest run is longer than the shortest by this much at least: seconds of one length, timed by hand, scatter by
#: a tenth, and flow and lag cannot be told apart from them.
LENGTHS_APART = 1.2
#: A run is this long at least: a hand on a watch is a fifth of a second off.
LEAST_RUN_S = 1.0
#: ... and gives this much at least, in µL: a drop. Common practice, no source.
LEAST_RUN_UL = 50.0
#: A cup is read to a hundredth of a mL or of a gram at the best, in µL. What lies between two readings scatters by this
#: over the root of 12, however well the figures lie on a line. Source: JCGM 100:2008 (GUM), F.2.2.1.
READING_UL = 10.0
READING_RMS_UL = READING_UL / math.sqrt(12)
#: A run scatters by no more than this share of the runs' mean volume. A cylinder read to half a graduation comes to
#: 3 %, a head that sucks air or a figure that was typed wrong to more.
MOST_RESIDUAL = 0.05
#: ... and the flow that follows is known this well at least.
MOST_FLOW_ERROR = 0.10
#: A pump gives half to twice of its rated flow; beyond that a figure has slipped (by ten, by sixty).
LEAST_OF_NOMINAL, MOST_OF_NOMINAL = 0.5, 2.0
#: What a run gives beyond flow * time is that of a moment of starting and stopping. More is the cup, not taken off.
MOST_LAG_S = 3.0
#: A tubing changes by some percent in months; a flow this far off the last one is a mistake as often as not.
MOST_CHANGE = 0.15
#: The first flow of a tubing gets a caution when it is this far off what the pump is rated at. Common practice, no
#: source: makers rate a pump with one tubing, water, and no head of it.
FAR_FROM_NOMINAL = 0.25
#: A second set agrees with the first when their flows differ by no more than this.
AGREES_WITHIN = 0.05
#: ... or of a dose by what its own scatter leaves open as well, up to this.
AGREES_WITHIN_AT_MOST = MOST_CHANGE
#: A dose that is known worse than this is told with the number: it is what a dose may never be off by.
WIDE = 0.15


@frozen
class Measured:
    """Test runs as they were declared, and how their volumes were found."""

    runs: tuple[Run, ...]  #: (seconds, µL)
    source: str  #: measured (timed by the daemon) | declared (timed by the keeper)
    water_c: float | None = None
    density_kg_per_l: float | None = None


@frozen
class Verdict:
    """What becomes of test runs. `event` is to be booked: a calibration, or one that is doubted; None: nothing is."""

    accepted: bool
    code: str | None
    reason: str | None
    fit: Fit | None = None
    dose_ul: int | None = None
    interval95_percent: float | None = None
    event: Calibrated | CalibrationDoubted | None = None
    cautions: tuple[str, ...] = ()  #: what a person should think of before it is relied on


def judged(plan: Plan, books: Books, name: str, measured: Measured) -> Verdict:
    """What becomes of these runs of a channel of the plan."""
    said = _judged(plan, books, name, measured)
    if said.accepted:
        return said
    return evolve(said, reason=f"{said.reason} {_what_now(plan, books, name, said)}")


def _what_now(plan: Plan, books: Books, name: str, said: Verdict) -> str:
    """What became of runs that were not accepted, what the channel goes on with, and the next command."""
    step = f"Next: dosingd calibrate {name}"
    if said.event is not None:
        return f"These runs are kept. {step}"
    known = valid_calibration(plan, books, name)
    if known is None:
        return f"Nothing was booked, and {name} has no calibration that holds, so it does not dose. {step}"
    flow = _flow(known.event.flow_ul_per_s)
    return f"Nothing was booked: {name} goes on by its calibration of {known.at:%Y-%m-%d}, {flow}. {step}"


def _judged(plan: Plan, books: Books, name: str, measured: Measured) -> Verdict:
    runs = measured.runs
    refused = _no_line(name, runs)
    if refused is not None:
        return refused
    fit, head = fitted(runs), head_of(plan.channels[name])
    dose_ul = planned_dose_ul(plan, books, name)
    interval = interval_percent(fit, dose_ul)
    # The nominal flow is that at full speed.
    impossible = _impossible(name, runs, fit, head.nominal_ul_per_s * speed_of(head))
    if impossible is None and too_small_for(fit.flow, dose_ul):
        impossible = (
            "lag",
            f"{name}: a run of no seconds would give {ml(fit.lag_ul)}, which is more than half of a planned dose,"
            f" {ml(dose_ul)}: what a dose gives would hang on its start alone. Make the line full, the cup dry, and the"
            " short runs as short as a dose.",
        )
    if impossible is not None:
        return Verdict(False, impossible[0], impossible[1], fit, dose_ul, interval)
    tubing = books.tubing_of(name)
    last, doubted = comparable(tubing.accepted, head), tubing.doubted
    far = _far_from(fit, _held_against(books, tubing, head, last), dose_ul, interval)
    if far is not None:
        former, change = far
        again = doubted is not None and doubted.head == head
        if again and doubted is not None and sorted(doubted.runs) == sorted(runs):
            reason = f"{name}: these are the runs of the first set once more. A second set is timed and measured anew."
            return Verdict(False, "same-runs", reason, fit, dose_ul, interval)
        if not (again and doubted is not None and _change(fit, doubted, dose_ul, interval).agrees):
            holds = valid_calibration(plan, books, name) is not None
            which, add_up = "the last calibration on this tubing", ""
            if former is not last:
                which, add_up = "an earlier calibration on this tubing", " (small steps add up)"
            reason = (
                f"test runs gave {_flow(fit.flow_ul_per_s)} and {ml(fit.lag_ul)} of lag, {change.text} off {which},"
                f" {_flow(former.event.flow_ul_per_s)} and {ml(former.event.lag_ul)} of {former.at:%Y-%m-%d}{add_up}."
                f" {'Doses go on by the last one' if holds else 'It does not dose'} until a second set of runs agrees"
                f" with this one within {AGREES_WITHIN * 100:.0f} %. If the tubing is new: dosingd retube {name}"
            )
            event = CalibrationDoubted(
                name, fit.flow_ul_per_s, fit.lag_ul, tuple(runs), measured.source, head, reason,
                measured.water_c, measured.density_kg_per_l,
            )  # fmt: skip
            return Verdict(False, "second-set", f"{name}: {reason}", fit, dose_ul, interval, event)
    accepted = Calibrated(
        channel=name,
        flow_ul_per_s=fit.flow_ul_per_s,
        lag_ul=fit.lag_ul,
        runs=tuple(runs),
        source=measured.source,
        head=head,
        flow_error_ul_per_s=fit.flow_error_ul_per_s,
        lag_error_ul=fit.lag_error_ul,
        residual_rms_ul=fit.residual_rms_ul,
        interval95_percent=interval,
        dose_ul=dose_ul,
        water_c=measured.water_c,
        density_kg_per_l=measured.density_kg_per_l,
        second_set=far is not None,
    )
    cautions = () if last is not None else _cautions(name, fit, head, tubing)
    if interval > WIDE * 100:
        cautions += (
            f"{name}: the interval is wide: a planned dose of {ml(dose_ul)} is known to ± {number(interval)} % only"
            f" (95 %). More runs, longer ones and some as short as a dose narrow it: dosingd calibrate {name}",
        )
    return Verdict(True, None, None, fit, dose_ul, interval, accepted, cautions)


def _held_against(books: Books, tubing: Tubing, head: HeadRow, last: Calibration | None) -> tuple[Calibration, ...]:
    """What a new flow must resemble: the last one first."""
    if last is None:
        return ()
    newest = books.newest
    steps = () if newest is None else tubing.steps_of(head, newest.reading.wall_at)
    return (last, *(each for each in reversed(steps) if each is not last))


def _far_from(
    fit: Fit, known: Sequence[Calibration], dose_ul: int, interval: float
) -> tuple[Calibration, _Change] | None:
    """The first of these that the runs are too far off, and how far."""
    for each in known:
        change = _change(fit, each.event, dose_ul, interval)
        if change.too_far:
            return each, change
    return None


def _cautions(name: str, fit: Fit, head: HeadRow, tubing: Tubing) -> tuple[str, ...]:
    """What is strange about the first flow of a tubing at a speed, which nothing on it can be held against."""
    speed = speed_of(head)
    held = [("the pump's nominal flow", head.nominal_ul_per_s * speed, FAR_FROM_NOMINAL)]
    former, other = comparable(tubing.former, head), tubing.accepted[-1] if tubing.accepted else None
    if former is not None:
        held.append(("that of the tubing before", former.event.flow_ul_per_s, MOST_CHANGE))
    if other is not None and other.speed is not None:
        at_speed_ul_per_s = other.event.flow_ul_per_s * speed / other.speed
        held.append(("the last calibration on this tubing at its share of speed", at_speed_ul_per_s, FAR_FROM_NOMINAL))
    return tuple(
        f"{name}: {_flow(fit.flow_ul_per_s)} is {(fit.flow_ul_per_s / flow - 1) * 100:+.0f} % off {what},"
        f" {_flow(flow)}. It may be right, and nothing else on this tubing tells. Look at the figures once more, and"
        f" time a second set: dosingd calibrate {name}"
        for what, flow, far in held
        if abs(fit.flow_ul_per_s / flow - 1) > far
    )


def _no_line(name: str, runs: Sequence[Run]) -> Verdict | None:
    """What no line can be laid through."""
    if len(runs) < LEAST_RUNS:
        return _refused("too-few", f"{name}: {len(runs)} of at least {LEAST_RUNS} runs. Two fit any line.")
    for seconds, volume in runs:
        if not (math.isfinite(seconds) and math.isfinite(volume) and seconds > 0 and volume > 0):
            return _refused("not-positive", f"{name}: a run of {number(seconds)} s that gave {ml(volume)} is none.")
        if seconds < LEAST_RUN_S or volume < LEAST_RUN_UL:
            return _refused(
                "too-short",
                f"{name}: a run of {plain(seconds)} s that gave {plain(volume / 1000)} mL is too small to be measured:"
                f" {LEAST_RUN_S:.0f} s and {plain(LEAST_RUN_UL / 1000)} mL are the least.",
            )
    lengths = [seconds for seconds, _ in runs]
    if max(lengths) < LENGTHS_APART * min(lengths):
        return _refused(
            "one-length",
            f"{name}: the runs last {number(min(lengths))} to {number(max(lengths))} s, which is one length. Short and "
            "long ones tell what a start gives from what a second gives.",
        )
    return None


def _refused(code: str, reason: str) -> Verdict:
    return Verdict(False, code, reason)


def _impossible(name: str, runs: Sequence[Run], fit: Fit, nominal_ul_per_s: float) -> tuple[str, str] | None:
    """What a pump with this rated flow cannot have done: a code, and why."""
    mean_ul = math.fsum(volume for _, volume in runs) / len(runs)
    if fit.residual_rms_ul > MOST_RESIDUAL * mean_ul:
        return "residuals", (
            f"{name}: the runs do not lie on a line: they scatter by {ml(fit.residual_rms_ul)} about a mean of "
            f"{ml(mean_ul)}, and {MOST_RESIDUAL * 100:.0f} % is the most. {_odd_one_out(runs, nominal_ul_per_s)}Was "
            "each typed as it was measured? Was there air in the line?"
        )
    if fit.flow_ul_per_s <= 0:
        return "reversed", (f"{name}: more time gave less volume, so seconds or volumes are in the wrong order.")
    share = fit.flow_ul_per_s / nominal_ul_per_s
    if not LEAST_OF_NOMINAL <= share <= MOST_OF_NOMINAL:
        return "nominal-flow", (
            f"{name}: {_flow(fit.flow_ul_per_s)} is {number(share)} times the pump's nominal flow, "
            f"{_flow(nominal_ul_per_s)}; half to twice can be. Look for a slip: ten times, minutes for seconds, grams "
            "for millilitres; or for the wrong nominal_flow in the plan."
        )
    if fit.flow_error_ul_per_s > MOST_FLOW_ERROR * fit.flow_ul_per_s:
        return "residuals", (
            f"{name}: the flow is known to {fit.flow_error_ul_per_s / fit.flow_ul_per_s * 100:.0f} % only, and "
            f"{MOST_FLOW_ERROR * 100:.0f} % is the most. Longer runs, or more of them, tell it better."
        )
    if abs(fit.lag_ul) > MOST_LAG_S * fit.flow_ul_per_s:
        return "lag", (
            f"{name}: a run of no seconds would give {ml(fit.lag_ul)}, what the pump gives in "
            f"{number(fit.lag_ul / fit.flow_ul_per_s)} s; {MOST_LAG_S:.0f} s is the most. Was the cup's own weight "
            "taken off? Was the line full?"
        )
    return None


def _odd_one_out(runs: Sequence[Run], nominal_ul_per_s: float) -> str:
    """The run without which the others lie on a line that can be; empty where none is, or more than one could be it.
    The one with the largest residual it is not: a run at an end draws the line to itself."""
    odd = []
    for index, run in enumerate(runs):
        others = [*runs[:index], *runs[index + 1 :]]
        if len(others) < LEAST_RUNS or len({seconds for seconds, _ in others}) < 2:
            continue
        fit, mean_ul = fitted(others), math.fsum(volume for _, volume in others) / len(others)
        can_be = LEAST_OF_NOMINAL <= fit.flow_ul_per_s / nominal_ul_per_s <= MOST_OF_NOMINAL
        if can_be and fit.residual_rms_ul <= MOST_RESIDUAL * mean_ul:
            odd.append(run)
    if len(odd) != 1:
        return ""
    return f"The others do without {number(odd[0][0])} s = {ml(odd[0][1])}. "


@frozen
class _Change:
    """How far test runs are off a former flow: by the flow, and by what a planned dose comes to, which the lag decides
    as well. `unknown` is what the runs leave open of a dose: it may keep two sets from agreeing, and is no leave for a
    dose to be off, or the worst runs would be asked about least."""

    flow: float
    dose: float
    unknown: float

    @property
    def too_far(self) -> bool:
        return abs(self.flow) > MOST_CHANGE or abs(self.dose) > MOST_CHANGE

    @property
    def agrees(self) -> bool:
        within = min(AGREES_WITHIN + self.unknown, AGREES_WITHIN_AT_MOST)
        return abs(self.flow) <= AGREES_WITHIN and abs(self.dose) <= within

    @property
    def text(self) -> str:
        if abs(self.flow) > MOST_CHANGE:
            return f"{self.flow * 100:+.0f} %"
        return f"{self.dose * 100:+.0f} % of a dose"


def _change(fit: Fit, former: Calibrated | CalibrationDoubted, dose_ul: int, interval: float) -> _Change:
    by_flow, by_dose = fit.flow_ul_per_s / former.flow_ul_per_s - 1, 0.0
    if former.source != "bench":  # nobody measured its lag
        run_s = run_s_from_volume(dose_ul, Flow(former.flow_ul_per_s, former.lag_ul))
        by_dose = fit.volume_ul(run_s) / dose_ul - 1
    return _Change(by_flow, by_dose, interval / 100)


def _flow(ul_per_s: float) -> str:
    return f"{number(ul_per_s * 0.06)} mL/min"


def planned_dose_ul(plan: Plan, books: Books, name: str) -> int:
    """The dose that the plan asks of a channel, in µL: its day over its doses, no less than the pump's smallest. Where
    the stock has no strength to reckon a day from, the largest dose that is allowed."""
    channel = plan.channels[name]
    daily_ul = daily_volume_ul(plan, name, strengths_of(plan, books))
    if daily_ul <= 0:
        return channel.limits.dose_ul
    return max(channel.pump.smallest_ul, 1, round(daily_ul / max(1, channel.doses)))


def interval_percent(fit: Fit, dose_ul: int) -> float:
    """Half of the 95 % interval of one dose, in percent of it."""
    return fit.half_interval_ul(run_s_from_volume(dose_ul, fit.flow), READING_RMS_UL) / dose_ul * 100


def lag_text(plan: Plan, books: Books, name: str) -> str | None:
    """Why a channel's planned doses are refused by the lag of its calibration (`gate`); None: they are not."""
    known = valid_calibration(plan, books, name)
    dose_ul = planned_dose_ul(plan, books, name)
    if known is None or not too_small_for(flow_of(plan, books, name), dose_ul):
        return None
    return (
        f"{name}: the lag of its calibration, {ml(known.event.lag_ul)}, is more than {MOST_LAG_SHARE * 100:.0f} % of a"
        f" planned dose, {ml(dose_ul)}, so such doses are refused. Plan fewer and larger ones, or calibrate it with"
        " runs as short as a dose."
    )


def lag_caution(plan: Plan, books: Books, name: str) -> str | None:
    """What the lag of a channel's calibration is of its planned doses, where they have become smaller than those that
    it was held against, and the lag too large a part of them; None: it is not, or `lag_text` says it."""
    known = valid_calibration(plan, books, name)
    if known is None or known.event.dose_ul is None or lag_text(plan, books, name) is not None:
        return None
    lag_ul, dose_ul = known.event.lag_ul, planned_dose_ul(plan, books, name)
    if dose_ul >= known.event.dose_ul or abs(lag_ul) <= MOST_CHANGE * dose_ul:
        return None
    return (
        f"{name}: the lag of its calibration, {ml(lag_ul)}, is {abs(lag_ul) / dose_ul * 100:.0f} % of a planned dose,"
        f" {ml(dose_ul)}; it was calibrated for doses of {ml(known.event.dose_ul)}. Calibrate it with runs as short as"
        " a dose."
    )


# -- for programs --------------------------------------------------------------------------------------------


def verdict_data(verdict: Verdict, measured: Measured) -> dict[str, Any]:
    """The verdict as `calibrate` prints it: mL, minutes and percent; what is unknown as None."""
    fit = verdict.fit

    def per_min(ul_per_s: float | None) -> float | None:
        return None if ul_per_s is None else ul_per_s * 0.06

    def in_ml(volume_ul: float | None) -> float | None:
        return None if volume_ul is None else volume_ul / 1000

    residuals: Sequence[float | None] = (None,) * len(measured.runs) if fit is None else fit.residuals_ul
    return {
        "flow_ml_per_min": per_min(None if fit is None else fit.flow_ul_per_s),
        "lag_ml": in_ml(None if fit is None else fit.lag_ul),
        "flow_standard_error_ml_per_min": per_min(None if fit is None else fit.flow_error_ul_per_s),
        "lag_standard_error_ml": in_ml(None if fit is None else fit.lag_error_ul),
        "residual_rms_ml": in_ml(None if fit is None else fit.residual_rms_ul),
        "interval95_percent": verdict.interval95_percent,
        "dose_ml": in_ml(verdict.dose_ul),
        "accepted": verdict.accepted,
        "reason": verdict.reason,
        "second_set_wanted": isinstance(verdict.event, CalibrationDoubted),
        "cautions": list(verdict.cautions),
        "runs": [
            {
                "seconds": _figure(seconds),
                "volume_ml": _figure(volume / 1000),
                "residual_ml": None if residual is None else _figure(residual / 1000),
            }
            for (seconds, volume), residual in zip(measured.runs, residuals, strict=True)
        ],
    }


def _figure(value: float) -> float | None:
    """A figure to the tenth of a µL or of a millisecond, so never as a power of ten, and never less than nothing by
    nothing; None for one that is none."""
    if not math.isfinite(value):
        return None
    rounded = round(value, 4) + 0.0
    return rounded if abs(rounded) < 1e15 else int(rounded)
