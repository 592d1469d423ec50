"""Stage 3, signals -> estimate: one wort temperature, its trend, and what it is fit to drive (design rule 2)."""

from math import exp

from controller.control.doubt import DOUBTS
from controller.control.state import NO_ESTIMATE
from controller.control.trust import fit_to_drive
from controller.control.values import Drive, Estimate, Signal, Status

FILTER_S = 60.0  # smooths the 1/16 K step of the usual probe; common practice, no source
TREND_S = 1800.0  # memory of the trend: long against the filter, short against a day; common practice, no source
DISAGREE_K = 1.0  # two probes in one vessel further apart than this disagree; common practice, no source

# A wort that is shown so cold may freeze before anybody knows which of two probes is right; a probe that is only
# thought to be at fault then still limits cooling. Common practice, no source.
CHILLY_C = 8.0


def estimate(signals: list[Signal], last: Estimate, dt_s: float, gap: bool, wort_c: float | None = None) -> Estimate:
    """Fuse the signals of one vessel's wort probes.

    A probe with evidence of its own failure is left out while another is fit. Where two fit probes differ,
    the colder limits cooling and the warmer limits heating; a colder one that the diagnosis doubts limits cooling too
    where the wort is cold. Without any fit probe the last value stays, and drives nothing. After a gap, or a time
    without a fit probe, the filters start again at the measurement. `wort_c` is the observer's wort, which takes the
    place of the filter where the observer is sure of it.
    """
    total_c, low_c, high_c, count, doubted_c = 0.0, 1e9, -1e9, 0, 1e9
    heats, cause = True, ""
    for signal in signals:
        if not fit_to_drive(signal) or signal.celsius is None:
            cause = cause or signal.cause
            if signal.cause in DOUBTS and signal.celsius is not None and signal.celsius < doubted_c:
                doubted_c = signal.celsius
            continue
        celsius = signal.celsius
        total_c += celsius
        count += 1
        low_c = celsius if celsius < low_c else low_c
        high_c = celsius if celsius > high_c else high_c
        if signal.status is Status.OUT_OF_SPECIFICATION:
            heats, cause = False, signal.cause
    if not count:
        blind = last if last.celsius is not None else NO_ESTIMATE
        if blind.drive is Drive.NOTHING and blind.cause == cause:
            return blind
        return blind._replace(drive=Drive.NOTHING, cause=cause)
    mean_c = total_c / count
    if doubted_c < low_c < CHILLY_C:
        low_c = doubted_c
    drive = Drive.BOTH if heats else Drive.COOLING
    if last.celsius is None or gap or last.drive is Drive.NOTHING:
        return Estimate(mean_c, low_c, high_c, 0.0, mean_c, drive, cause)
    if wort_c is None:
        wort_c = last.celsius + (1.0 - exp(-dt_s / FILTER_S)) * (mean_c - last.celsius)
    slow_c = last.slow_c + (1.0 - exp(-dt_s / TREND_S)) * (wort_c - last.slow_c)
    # Behind a ramp a first-order filter lags by rate x time constant.
    rate_k_per_h = (wort_c - slow_c) * (3600.0 / TREND_S)
    shift_k = wort_c - mean_c
    return Estimate(wort_c, low_c + shift_k, high_c + shift_k, rate_k_per_h, slow_c, drive, cause)


def steady(wort_c: float, last: Estimate, dt_s: float) -> Estimate:
    """As `estimate` with one good signal, whose wort is the observer's."""
    slow_c = last.slow_c + dt_s / (TREND_S + dt_s) * (wort_c - last.slow_c)
    return Estimate(wort_c, wort_c, wort_c, (wort_c - slow_c) * (3600.0 / TREND_S), slow_c, Drive.BOTH, "")


def fit_mean_c(signals: list[Signal]) -> float | None:
    """The mean of the signals that are fit to drive, None without one."""
    total_c, count = 0.0, 0
    for signal in signals:
        if signal.celsius is not None and fit_to_drive(signal):
            total_c += signal.celsius
            count += 1
    return total_c / count if count else None


def disagreeing(signals: list[Signal]) -> bool:
    """Whether two fit probes of one vessel are further apart than probes of one wort should be."""
    fit = [signal.celsius for signal in signals if fit_to_drive(signal) and signal.celsius is not None]
    return len(fit) > 1 and max(fit) - min(fit) > DISAGREE_K
