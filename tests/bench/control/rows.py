"""The rows of the table: what is asked, and what each driver gave."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from math import inf

from tests.bench.control.believed import COIL, HEATER, LOSS
from tests.bench.control.judge import Hold, Verdict
from tests.bench.control.least import least_rms_k
from tests.bench.control.runs import OURS, RIVALS

DRIVERS = (OURS, *RIVALS)
PROBE_STEP_K = 1.0 / 16.0  # of the usual probe: DS18B20 at 12 bits, datasheet
RMS_ALWAYS_GOOD_K = 0.035  # about half of that
LEAVES_MUCH_K, USES_AT_LEAST, USES_AT_MOST = 0.05, 0.8, 1.05
ESTIMATE_K, RATIO = 0.03, 0.10
OPPOSED_K = 0.10  # beyond the tooth that is undone where heat follows cold
PAST_K, PAST_IN_ALL_K, MANY_STARTS = 0.10, 0.20, 60.0


@dataclass(frozen=True, slots=True)
class Figure:
    """One measured thing: `excess` above 0 breaks the row (in the unit of the row's worst figure), `text` tells it."""

    excess: float
    text: str
    where: str
    seed: int = 0  # of the plant
    reason: str = ""  # why no control can keep it here, with its numbers; "" where none is known


@dataclass(frozen=True, slots=True)
class Row:
    """A row: its name, what is asked, by driver how many figures kept it and the worst; met if ours all keep it."""

    name: str
    asked: str
    figures: Mapping[str, tuple[Figure, ...]]

    @property
    def met(self) -> bool:
        """Whether ours keeps it everywhere. Nothing measured is not kept."""
        ours = self.figures.get(OURS, ())
        return bool(ours) and all(figure.excess <= 0.0 for figure in ours)

    @property
    def explained(self) -> bool:
        """Whether ours keeps it, or a physical reason is shown, everywhere."""
        ours = self.figures.get(OURS, ())
        return bool(ours) and all(figure.excess <= 0.0 or figure.reason for figure in ours)

    @property
    def reasons(self) -> tuple[Figure, ...]:
        """The figures of ours that break the row for a reason."""
        return tuple(figure for figure in self.figures.get(OURS, ()) if figure.excess > 0.0 and figure.reason)

    @property
    def verdict(self) -> str:
        """The row in a word."""
        return "met" if self.met else "reason" if self.explained else "NOT MET"

    def worst(self, driver: str) -> Figure | None:
        """The figure of a driver that is worst."""
        return max(self.figures.get(driver, ()), key=lambda figure: figure.excess, default=None)

    def kept(self, driver: str) -> str:
        """How many of a driver's figures keep the row."""
        own = self.figures.get(driver, ())
        return f"{sum(figure.excess <= 0.0 for figure in own)}/{len(own)}"


Verdicts = Mapping[str, Iterable[Verdict]]


def holds_rows(verdicts: Verdicts, budget: float, spare_k: float, of: str) -> list[Row]:
    """The rows about holds at this budget. `spare_k` is what random plants are given more."""

    def factor(hold: Hold) -> float:
        return 1.35 if budget >= 120.0 else 1.3 if hold.changes_sign else 1.15

    def limit_k(hold: Hold, floor_k: float) -> float:
        return max(factor(hold) * floor_k, RMS_ALWAYS_GOOD_K) + spare_k

    def rms(hold: Hold) -> Figure:
        excess = hold.rms_k - limit_k(hold, hold.floor_k)
        ratio = hold.rms_k / hold.floor_k if hold.floor_k else inf
        text = f"{hold.rms_k:.3f} K = {ratio:.2f} x floor ({hold.mean_k:+.3f} K mean), {hold.starts_per_day:.0f}/d"
        reason = ""
        if excess > 0.0:
            starts = hold.starts_per_day * hold.hours / 24.0
            reason = _coarse(hold, starts, factor(hold), spare_k, limit_k(hold, hold.steady_floor_k))
        return Figure(excess, text, f"{hold.where}, load {hold.load_w:.0f} W", reason=reason)

    def most(hold: Hold) -> Figure:
        if hold.busiest is None:
            return Figure(-1.0, "no day of steady load", hold.where)
        return Figure(hold.busiest - USES_AT_MOST * budget, f"{hold.busiest} in a day", hold.where)

    def least(hold: Hold) -> Figure:
        much_k = LEAVES_MUCH_K + spare_k
        idle = hold.rms_k > much_k and hold.starts_per_day < USES_AT_LEAST * budget
        excess = USES_AT_LEAST * budget - hold.starts_per_day if idle else -1.0
        per_start_k, reason = hold.daily_k / (USES_AT_LEAST * budget), ""
        if idle and per_start_k < PROBE_STEP_K:
            reason = (
                f"all that is to be given is {hold.daily_k:.1f} K a day: as many starts would move the wort by"
                f" {per_start_k:.3f} K each, less than a step of the usual probe"
            )
        elif idle:
            all_starts = (budget if hold.pulses.heat_k == inf else 2.0 * budget) * hold.hours / 24.0
            reason = _coarse(hold, all_starts, factor(hold), spare_k, much_k)
        return Figure(excess, f"{hold.starts_per_day:.1f}/d, rms {hold.rms_k:.3f} K", hold.where, reason=reason)

    more = f" + {spare_k:g} K" if spare_k else ""
    factors = "1.35" if budget >= 120.0 else "1.15 (1.3 where the load changes sign)"
    much = f"where rms > {LEAVES_MUCH_K + spare_k:g} K"
    asked = (
        (f"hold rms, {of}, {budget:g} starts", f"<= {factors} x floor or {RMS_ALWAYS_GOOD_K} K{more}", rms),
        (f"starts on the busiest day, {of}, {budget:g}", f"<= {USES_AT_MOST * budget:g} of steady load", most),
        (f"starts used, {of}, {budget:g}", f">= {USES_AT_LEAST * budget:g} a day {much}", least),
    )
    return [Row(name, asks, _each(verdicts, _of_holds(figure))) for name, asks, figure in asked]


def _coarse(hold: Hold, starts: float, factor: float, spare_k: float, steady_k: float) -> str:
    """Why a hold leaves what it does: pulses of the shortest length leave about as much with so many starts. While the
    load turns within six hours, what a start does must be undone by the other output, so there nothing is asked for;
    in the rest no more than `steady_k`, or than such pulses leave, may be left."""
    least_k = least_rms_k(hold.pulses, starts)
    pulses = (
        f"pulses cannot move the wort by less than {hold.pulses.cold_k:.2f} K: who knew the load in advance and made"
        f" {starts:.0f} starts would leave"
    )
    if hold.rms_k <= factor * least_k + spare_k:
        return f"{pulses} {least_k:.3f} K"
    if hold.steady >= 1.0:
        return ""
    turning = (
        f"in {1.0 - hold.steady:.0%} of the time the load turns within six hours: what a start does there, the other"
        f" output must undo; in the rest it leaves {hold.steady_rms_k:.3f} K"
    )
    if hold.steady_rms_k <= steady_k:
        return turning
    least_k = least_rms_k(hold.steady_pulses, starts)
    return f"{turning}; {pulses} {least_k:.3f} K" if hold.steady_rms_k <= factor * least_k + spare_k else ""


def _of_holds(figure: Callable[[Hold], Figure]) -> Callable[[Verdict], Iterable[Figure]]:
    return lambda verdict: map(figure, verdict.holds)


def landing_row(verdicts: Verdicts, budget: float, spare_k: float, of: str) -> Row:
    """Past the target after a pull-down, ramp or crash."""
    in_all = budget >= MANY_STARTS

    def figures(verdict: Verdict) -> Iterable[Figure]:
        for landing in verdict.landings:
            if landing.past_k is None:
                yield Figure(9.0, "never reached", landing.where)
                continue
            limit_k = landing.half_tooth_k + PAST_K
            limit_k = (min(limit_k, PAST_IN_ALL_K) if in_all else limit_k) + spare_k
            text = f"{landing.past_k:.2f} K past (half a tooth {landing.half_tooth_k:.2f} K)"
            reason = _shortest(landing.past_k - PAST_K - spare_k, 0.5, landing.shortest_k)
            yield Figure(landing.past_k - limit_k, text, f"{landing.kind}: {landing.where}", reason=reason)

    asked = f"<= half a tooth + {PAST_K + spare_k:.2f} K" + (f", <= {PAST_IN_ALL_K + spare_k:.2f} K" if in_all else "")
    return Row(f"landing, {of}, {budget:g} starts", asked, _each(verdicts, figures))


def heat_row(verdicts: Verdicts, budget: float, factor: float, spare_h: float, of: str) -> Row:
    """Heater hours against the energy balance."""

    def figures(verdict: Verdict) -> Iterable[Figure]:
        heat = verdict.heat
        text = f"{heat.used_h:.1f} h where {heat.needed_h:.1f} h are needed"
        yield Figure(heat.used_h - factor * heat.needed_h - spare_h, text, heat.where)

    asked = f"<= {factor:g} x balance + {spare_h:g} h"
    return Row(f"heater hours, {of}, {budget:g} starts", asked, _each(verdicts, figures))


def opposed_row(verdicts: Verdicts, budget: float, spare_k: float, of: str) -> Row:
    """Heat and cold within the same six hours, against what the energy balance asks of both."""

    def figures(verdict: Verdict) -> Iterable[Figure]:
        worst = verdict.opposed
        text = f"{worst.both_k:.2f} K against each other from hour {worst.hour:.0f} on, {worst.asked_k:.2f} K asked for"
        tooth_k = 2.0 * max((hold.half_tooth_k for hold in verdict.holds), default=0.0)
        beyond_k = worst.both_k - worst.asked_k - OPPOSED_K - spare_k
        reason = _shortest(beyond_k, 1.0, worst.shortest_k)
        yield Figure(beyond_k - tooth_k, text, worst.where, reason=reason)

    asked = f"<= balance + a tooth + {OPPOSED_K + spare_k:.2f} K"
    return Row(f"heat and cold within six hours, {of}, {budget:g} starts", asked, _each(verdicts, figures))


def _shortest(beyond_k: float, teeth: float, shortest_k: float) -> str:
    """Why a wort goes `beyond_k`, where that is no more than so many of the least teeth that its cooler can make."""
    if beyond_k > teeth * shortest_k:
        return ""
    return f"the cooler's shortest pulse alone, with what it leaves in the coil, moves the wort by {shortest_k:.2f} K"


def believed_rows(verdicts: Verdicts, of: str) -> list[Row]:
    """The service's estimate of the wort, and what it has learned of the plant after three days."""

    def estimates(verdict: Verdict) -> Iterable[Figure]:
        believed = verdict.believed
        if believed.rms_k is not None:
            felt_k, reason = believed.felt_rms_k, ""
            if felt_k is not None and felt_k <= ESTIMATE_K:
                reason = f"layers: beside what an ideal probe in the same well would show it is {felt_k:.3f} K"
            yield Figure(believed.rms_k - ESTIMATE_K, f"{believed.rms_k:.3f} K rms", believed.where, reason=reason)

    def learned(name: str) -> Callable[[Verdict], Iterable[Figure]]:
        def figures(verdict: Verdict) -> Iterable[Figure]:
            ratio = verdict.believed.ratios.get(name)
            if ratio is not None:
                off, reason = abs(ratio - 1.0), ""
                loss, coil = 2.0 * verdict.believed.loss_sd, 2.0 * verdict.believed.coil_sd
                if name == LOSS and off <= loss:
                    reason = f"the yeast hides it: who need only learn the outputs beside it knows it to {loss:.0%}"
                if name == COIL and off <= coil:
                    reason = f"a day's pulses tell strength and hold-up together, the strength alone to {coil:.0%}"
                yield Figure(off - RATIO, f"{ratio:.2f} of the true one", verdict.believed.where, reason=reason)

        return figures

    rows = [Row(f"wort estimate, {of}", f"<= {ESTIMATE_K:g} K rms", _each(verdicts, estimates))]
    asked = f"within {RATIO:.0%} after three days"
    return rows + [Row(f"learned {name}, {of}", asked, _each(verdicts, learned(name))) for name in (COIL, HEATER, LOSS)]


def _each(verdicts: Verdicts, figures: Callable[[Verdict], Iterable[Figure]]) -> dict[str, tuple[Figure, ...]]:
    return {
        driver: tuple(
            replace(figure, seed=verdict.seed) for verdict in verdicts.get(driver, ()) for figure in figures(verdict)
        )
        for driver in DRIVERS
        if driver in verdicts
    }
