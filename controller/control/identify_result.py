"""What an identification has found: the process, how sure that is, and settings by the SIMC rules."""

from itertools import pairwise
from math import inf

from controller.control.follow import Moment
from controller.control.identification import Experiment, Finding, Swing, Turn
from controller.control.process_fit import Fit, fitted
from controller.control.simc import half_rule, pi_settings, ultimate
from controller.control.site import Vessel

# A result is one if its slope is sure to this share, its delay to this share of itself, and the record's residuals are
# below this share of what the outputs moved. Our choice.
SLOPE_SURE, DELAY_SURE, EXPLAINED = 0.25, 0.5, 0.15
# Beyond these, power or volume in the site file are so wrong that nothing should be tuned by them.
LEAST_BY_FILE, MOST_BY_FILE = 0.2, 5.0
# What the site file takes (vessel_models.py).
SHORTEST_INTEGRAL_S, LONGEST_INTEGRAL_S, LEAST_GAIN, MOST_GAIN = 300.0, 2 * 86400.0, 0.1, 1e5
# The settings are the PID's, which controls until the observer is sure, in pulses by the account. Pulses of `cycle`
# delay what is asked for by half of it on the mean, as a hold does (a zero-order hold's phase).
PULSES_DELAY = 0.5


def concluded(vessel: Vessel, experiment: Experiment, moment: Moment) -> Finding | str:
    """The finding, or why there is none."""
    fit = fitted(experiment.samples, experiment.interval_s)
    if fit is None:
        return "the wort did not follow the output"
    by_file = fit.slope_k_per_j * experiment.capacity_j_per_k
    doubt = _doubt(fit, by_file)
    if doubt:
        return doubt
    lags_s = (inf if fit.settles_s is None else fit.settles_s, fit.lag_s)
    process = half_rule(fit.slope_k_per_j, lags_s, fit.dead_time_s + PULSES_DELAY * vessel.loop.cycle_s)
    settings, limit = pi_settings(process, process.dead_time_s), ultimate(process)
    samples = experiment.samples
    return Finding(
        experiment.method, moment.now_s, moment.utc_s, experiment.batch,
        sum(sample.celsius for sample in samples) / len(samples),
        min(sample.heat_w for sample in samples) < 0.0,
        fit, by_file, process.dead_time_s,
        min(max(settings.gain, LEAST_GAIN), MOST_GAIN),
        min(max(settings.integral_s, SHORTEST_INTEGRAL_S), LONGEST_INTEGRAL_S),
        limit.gain, limit.period_s, vessel.loop.cycle_s, swing(experiment.turns),
    )  # fmt: skip


def settings_text(finding: Finding) -> str:
    """The settings in a few words."""
    return f"gain {gain_text(finding.gain_w_per_k)}, integral time {minutes_text(finding.integral_s)}"


def gain_text(w_per_k: float) -> str:
    """A gain as the site file takes it."""
    return f"{w_per_k:.0f} W/K" if w_per_k >= 20.0 else f"{w_per_k:.1f} W/K"


def minutes_text(seconds: float) -> str:
    """A duration as the site file takes it."""
    return f"{round(seconds / 60.0, 1):g} min"


def _doubt(fit: Fit, by_file: float) -> str:
    if fit.off_k > EXPLAINED * fit.moved_k:
        return (
            f"a lag and a dead time do not explain what the wort did: {fit.off_k:.2f} K of {fit.moved_k:.2f} K are "
            "left; something else was going on"
        )
    delay_s = fit.dead_time_s + fit.lag_s
    if fit.slope_sd > SLOPE_SURE or fit.delay_sd_s > max(DELAY_SURE * delay_s, 60.0):
        return (
            f"not sure enough: the effect to {fit.slope_sd:.0%}, the delay to {fit.delay_sd_s / 60.0:.0f} min; "
            "try again when nothing else moves the wort"
        )
    if not LEAST_BY_FILE <= by_file <= MOST_BY_FILE:
        return f"the wort moved {by_file:.1f} times as far as the site file says; look at power and volume there"
    return ""


def swing(turns: tuple[Turn, ...]) -> Swing | None:
    """The limit cycle by the relay's turns, without the first swing; None where there was none."""
    if len(turns) < 5:
        return None
    furthest = [turn.furthest_c for turn in turns[2:]]
    halves = [0.5 * abs(after - before) for before, after in pairwise(furthest)]
    periods = [after.at_s - before.at_s for before, after in zip(turns[2:], turns[4:], strict=False)]
    return Swing(sum(halves) / len(halves), sum(periods) / len(periods), len(periods), max(halves) - min(halves))
