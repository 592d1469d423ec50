"""Identification on demand: a step test or a relay test on the real plant, one scan after the other.

The experiment only says what it would like, in watts, at the place of the loop's demand. Grants, shaping, budget and
interlock come after it as ever, so it counts for how long outputs really were on. It ends by itself, and at once where
`identify_guard` says so.
"""

from math import exp

from controller.control.estimate import FILTER_S, fit_mean_c
from controller.control.follow import Course, Moment
from controller.control.identification import Experiment, Finding, Gathered, Identification, Method, Phase, Turn
from controller.control.identify_guard import EXCURSION_K, broken_off
from controller.control.identify_result import concluded, settings_text
from controller.control.process_fit import MOST_SAMPLES, Sample, halved, least_squares
from controller.control.site import Vessel
from controller.control.state import OutputState, VesselState
from controller.control.values import Demand, Estimate, Record, RecordKind, Signal

# What a coil or wrap held has arrived, and a pulse has been answered, after these times. Common practice, no source.
CALM_S, DRIFT_S, ANSWER_S = 1200.0, 1200.0, 2400.0
DRIFTED_K = 0.5  # a wort that drifts further is not waited for, if `FEW_S` have been seen
FEW_S = 600.0
# How far the pulses are to move the wort: some steps of the usual probe, well above its noise. The second is longer
# than the first in any case: of a short one the wort sees little but what the coil held. Where it could bring the wort
# nearer than `SPARE_K` to where the test is broken off, by an output `STRONGER` than the file says, the first must do.
PILOT_K, PULSE_K, SPARE_K, STRONGER = 0.2, 0.6, 0.25, 1.4
LONGEST_PULSE_S = 3600.0
LEAST_TIMES, USUAL_TIMES, MOST_TIMES = 1.5, 2.0, 4.0
# The relay turns this far from the setpoint (some steps of the usual probe), with watts that move the wort by `SWING_K`
# while it waits for the answer, but at least so many times as fast as it drifts by itself. Our choice.
RELAY_K, SWING_K, SWING_DELAY_S, FASTER = 0.1, 0.4, 1200.0, 3.0
TURNS = 7  # three swings after the first, which is not like them
SLOWEST_K_PER_S = 0.05 / 3600.0  # a drift that is waited for where no output moves the wort back
FORGETS = 2.0  # the pulse may take so many times its own time, at least an hour, until it has been given
LEAST_WAIT_S = 3600.0

REASON = {Method.STEP: "identification: step test", Method.RELAY: "identification: relay test"}
COMPLETE = "complete"
Next = tuple[Experiment, str | None]  # the experiment a scan on; None, or COMPLETE, or why it cannot go on


def experimented(
    vessel: Vessel, was: VesselState, course: Course, wort: Estimate, signals: list[Signal], moment: Moment,
    started: bool, records: list[Record],
) -> VesselState:  # fmt: skip
    """The vessel with its experiment after this scan: gone on, finished or broken off. A record tells an end."""
    last = was.identification
    assert last.experiment is not None
    experiment, wort = _by_probes(last.experiment, wort, signals, moment.dt_s)
    value, finding, why = "broken off", last.finding, broken_off(vessel, was, experiment, course, wort, moment, started)
    if not why:
        assert wort.celsius is not None
        experiment, ended = _next(_gathered(experiment, was, wort.celsius, moment), was, wort.celsius, moment)
        if ended is None:
            return was._replace(identification=Identification(experiment, finding, last.ended))
        why = ended
        if ended == COMPLETE:
            found = concluded(vessel, experiment, moment)
            value, why = "no result", found if isinstance(found, str) else ""
            if isinstance(found, Finding):
                value, finding, why = "over", found, f"{settings_text(found)}; nothing was written"
    records.append(Record(moment.now_s, moment.utc_s, vessel.name, RecordKind.MODE, "identification", value, why))
    return was._replace(identification=Identification(None, finding, why))


def _by_probes(
    experiment: Experiment, wort: Estimate, signals: list[Signal], dt_s: float
) -> tuple[Experiment, Estimate]:
    """The wort as its probes show it, smoothed as the PID sees it without an observer. It is as cold and as warm as
    they or the observer say: what must not go too far is to be counted so."""
    shown_c = fit_mean_c(signals)
    if shown_c is None or wort.celsius is None:
        return experiment, wort
    last_c = experiment.shown_c
    if last_c is not None:
        shown_c = last_c + (1.0 - exp(-dt_s / FILTER_S)) * (shown_c - last_c)
    shift_k = shown_c - wort.celsius
    cold_c, warm_c = wort.cold_c + min(shift_k, 0.0), wort.warm_c + max(shift_k, 0.0)
    wort = wort._replace(celsius=shown_c, cold_c=cold_c, warm_c=warm_c)
    return experiment._replace(shown_c=shown_c), wort


def asked(experiment: Experiment) -> Demand:
    """What the experiment asks for in this scan."""
    return Demand(experiment.heat_w, REASON[experiment.method])


def _gathered(experiment: Experiment, was: VesselState, celsius: float, moment: Moment) -> Experiment:
    """The experiment with what the interval that has just passed has shown and given."""
    given_w = -experiment.cooler_w if _on(was.cooler) else 0.0
    given_w += experiment.heater_w if _on(was.heater) else 0.0
    if experiment.phase is Phase.CALM or moment.dt_s <= 0.0:
        return experiment
    if given_w:
        experiment = experiment._replace(on_s=experiment.on_s + moment.dt_s)
    passed_s, wort_ks, given_j = experiment.gathered
    gathered = Gathered(passed_s + moment.dt_s, wort_ks + celsius * moment.dt_s, given_j + given_w * moment.dt_s)
    if gathered.passed_s < experiment.interval_s:
        return experiment._replace(gathered=gathered)
    passed_s, wort_ks, given_j = gathered
    samples = (*experiment.samples, Sample(wort_ks / passed_s, given_j / passed_s))
    interval_s = experiment.interval_s
    if len(samples) >= 2 * MOST_SAMPLES:
        samples, interval_s = halved(samples), 2.0 * interval_s
    return experiment._replace(samples=samples, interval_s=interval_s, gathered=Gathered())


def _on(output: OutputState | None) -> bool:
    return output is not None and output.on


def _next(experiment: Experiment, was: VesselState, celsius: float, moment: Moment) -> Next:
    phase, passed_s = experiment.phase, moment.now_s - experiment.phase_s
    if phase is Phase.CALM:
        calm_since_s = max(_ended_s(was.cooler), _ended_s(was.heater))
        running = _on(was.cooler) or _on(was.heater)
        calm = not running and moment.now_s - calm_since_s >= CALM_S
        return _in(experiment, Phase.DRIFT, moment) if calm else experiment, None
    if phase is Phase.DRIFT:
        drifted = abs(celsius - experiment.centre_c) >= DRIFTED_K and passed_s >= FEW_S
        return _begun(experiment, celsius, moment) if passed_s >= DRIFT_S or drifted else (experiment, None)
    if phase is Phase.SWINGS:
        return _swung(experiment, celsius, moment)
    if phase in (Phase.PILOT, Phase.PULSE):
        if experiment.on_s >= experiment.pulse_s:
            following = Phase.PILOT_ANSWER if phase is Phase.PILOT else Phase.ANSWER
            return _in(experiment, following, moment), None
        if passed_s > max(FORGETS * experiment.pulse_s, LEAST_WAIT_S):
            output = was.cooler if experiment.heat_w < 0.0 else was.heater
            why = output.reason if output is not None else "it is gone"
            return experiment, f"the output was not allowed to run for long enough: {why}"
        return experiment, None
    if passed_s < ANSWER_S:
        return experiment, None
    return _second(experiment, celsius, moment) if phase is Phase.PILOT_ANSWER else (experiment, COMPLETE)


def _ended_s(output: OutputState | None) -> float:
    return output.ended_s if output is not None and output.ended_s is not None else float("-inf")


def _in(experiment: Experiment, phase: Phase, moment: Moment) -> Experiment:
    """In a phase in which nothing is asked for."""
    return experiment._replace(phase=phase, phase_s=moment.now_s, heat_w=0.0)


def _begun(experiment: Experiment, celsius: float, moment: Moment) -> Next:
    """The test proper begins: against the way that the wort drifts by itself."""
    samples, h_s = experiment.samples, experiment.interval_s
    middles = [(i + 0.5) * h_s for i in range(len(samples))]
    solved = least_squares([[1.0] * len(samples), middles], [sample.celsius - celsius for sample in samples])
    drift = solved.factors[1] if solved else 0.0
    experiment = experiment._replace(drift_k_per_s=drift)
    cooling, heating = experiment.cooler_w > 0.0, experiment.heater_w > 0.0
    if experiment.method is Method.RELAY:
        if not (cooling and heating) and not (drift if cooling else -drift) >= SLOWEST_K_PER_S:
            why = "the wort does not come back by itself, and there is no output for it; a step test does without"
            return experiment, why
        side = -1 if celsius > experiment.centre_c else 1
        return _turned(_in(experiment, Phase.SWINGS, moment), side)._replace(furthest_c=celsius), None
    cools = cooling and (drift >= -SLOWEST_K_PER_S or not heating)
    power_w = experiment.cooler_w if cools else experiment.heater_w
    pulse_s = min(PILOT_K * experiment.capacity_j_per_k / power_w, LONGEST_PULSE_S)
    return _pulse(experiment, Phase.PILOT, -power_w if cools else power_w, pulse_s, celsius, moment), None


def _pulse(
    experiment: Experiment, phase: Phase, heat_w: float, pulse_s: float, celsius: float, moment: Moment
) -> Experiment:
    return experiment._replace(
        phase=phase, phase_s=moment.now_s, heat_w=heat_w, pulse_s=pulse_s, on_s=0.0, before_c=celsius,
        side=-1 if heat_w < 0.0 else 1,
    )  # fmt: skip


def _second(experiment: Experiment, celsius: float, moment: Moment) -> Next:
    """The pulse proper, as long as the first one says that it must be; complete where that one was enough."""
    drifted_k = experiment.drift_k_per_s * (moment.now_s - experiment.phase_s + experiment.on_s)
    moved_k = experiment.side * (celsius - experiment.before_c - drifted_k)
    power_w = experiment.cooler_w if experiment.side < 0 else experiment.heater_w
    room_k = EXCURSION_K - SPARE_K + experiment.side * (experiment.centre_c - celsius)
    by_file_k = STRONGER * experiment.on_s * power_w / experiment.capacity_j_per_k
    times = min(max(PULSE_K / max(moved_k, PULSE_K / MOST_TIMES), USUAL_TIMES), 1.0 + (room_k - moved_k) / by_file_k)
    if times < LEAST_TIMES:
        return experiment, COMPLETE
    pulse_s = min(times * experiment.on_s, LONGEST_PULSE_S)
    return _pulse(experiment, Phase.PULSE, experiment.side * power_w, pulse_s, celsius, moment), None


def _swung(experiment: Experiment, celsius: float, moment: Moment) -> Next:
    """A relay with a little hysteresis around the setpoint."""
    side, furthest_c = experiment.side, experiment.furthest_c
    # The wort goes on past the turn: while the relay heats, its coldest is the furthest.
    furthest_c = min(furthest_c, celsius) if side > 0 else max(furthest_c, celsius)
    experiment = experiment._replace(furthest_c=furthest_c)
    off_k = celsius - experiment.centre_c
    if side * off_k < RELAY_K:
        return experiment, None
    experiment = experiment._replace(turns=(*experiment.turns, Turn(moment.now_s, furthest_c)), furthest_c=celsius)
    return (experiment, COMPLETE) if len(experiment.turns) >= TURNS else (_turned(experiment, -side), None)


def _turned(experiment: Experiment, side: int) -> Experiment:
    power_w = experiment.cooler_w if side < 0 else experiment.heater_w
    enough_w = SWING_K * experiment.capacity_j_per_k / SWING_DELAY_S
    against_w = FASTER * max(-side * experiment.drift_k_per_s, 0.0) * experiment.capacity_j_per_k
    return experiment._replace(side=side, heat_w=side * min(power_w, max(enough_w, against_w)))
