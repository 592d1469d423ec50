"""The result is judged: which alarm conditions are present after this scan."""

from collections.abc import Mapping

from controller.control.alarms import ACTIVE, next_phase
from controller.control.estimate import disagreeing
from controller.control.follow import Moment, deviation_k, settling
from controller.control.interlock import REGULATED
from controller.control.site import Bath, Vessel
from controller.control.state import AlarmPhase, AlarmState, BatchState, Mode, VesselState
from controller.control.trust import fit_to_drive
from controller.control.values import Drive, Record, RecordKind, Signal

SIGNAL_DELAY_S = 60.0  # EEMUA 191's starting value for a temperature, from memory
BATH_DELAY_S = 15 * 60.0  # common practice, no source
DEADBAND_K = 0.5  # of the bath's alarms; common practice, no source


class Watch:
    """The alarms of one scan: starts from the last ones, copies them when the first one changes."""

    def __init__(self, alarms: Mapping[str, AlarmState], moment: Moment, records: list[Record]) -> None:
        self.alarms, self.moment, self.records = alarms, moment, records
        self._copied = False

    def active(self, key: str) -> bool:
        """Whether the alarm is active, for deadbands."""
        state = self.alarms.get(key) if self.alarms else None
        return state is not None and state.phase in ACTIVE

    def consider(
        self, where: str, kind: str, present: bool, delay_s: float, text: str, suppressed: bool = False
    ) -> None:
        """Let one alarm live through this scan."""
        if not present and not self.alarms:
            return
        key = f"{where}/{kind}"
        last = self.alarms.get(key)
        after = next_phase(last, present, delay_s, suppressed, self.moment.now_s, text)
        if after is last:
            return
        if not self._copied:
            self.alarms, self._copied = dict(self.alarms), True
        assert isinstance(self.alarms, dict)
        if after is None:
            del self.alarms[key]
        else:
            self.alarms[key] = after
        before = last.phase if last else AlarmPhase.NORMAL
        phase = after.phase if after else AlarmPhase.NORMAL
        if phase is not before:
            at_s, utc_s = self.moment.now_s, self.moment.utc_s
            vessel = "" if where == "bath" else where
            reason = text if after and present else f"over: {last.text}" if last and last.text else "over"
            self.records.append(Record(at_s, utc_s, vessel, RecordKind.ALARM, kind, phase.value, reason))


def watch_vessel(watch: Watch, vessel: Vessel, state: VesselState, signals: list[Signal]) -> None:
    """All conditions of one vessel. Without a batch to regulate, none is present."""
    name, limits, wort, moment = vessel.name, vessel.alarms, state.estimate, watch.moment
    beer = state.batch is not None and state.condition in REGULATED and state.setpoint is not None
    blind = beer and wort.drive is Drive.NOTHING
    watch.consider(name, "signal", blind, SIGNAL_DELAY_S, f"no fit signal: {wort.cause}" if blind else "")
    bad = beer and not blind and bool(wort.cause)
    watch.consider(name, "probe", bad, SIGNAL_DELAY_S, wort.cause)
    apart = beer and len(signals) > 1 and disagreeing(signals)
    watch.consider(name, "disagreement", apart, SIGNAL_DELAY_S, "two probes differ by more than 1 K")
    known = beer and not blind and wort.celsius is not None
    celsius = wort.celsius if known and wort.celsius is not None else 0.0
    on_the_way = state.settling_best_k is not None and settling(state, moment.now_s)
    if known:
        slack_k = limits.deadband_k if watch.active(f"{name}/high") else 0.0
        high = celsius > limits.high_c - slack_k
        slack_k = limits.deadband_k if watch.active(f"{name}/low") else 0.0
        low = celsius < limits.low_c + slack_k
        assert state.setpoint is not None
        away_k = deviation_k(state.setpoint, wort)
        slack_k = limits.deadband_k if watch.active(f"{name}/deviation") else 0.0
        drifted = state.mode is Mode.AUTO and abs(away_k) > limits.deviation_k - slack_k
    else:
        high = low = drifted = False
        away_k = 0.0
    watch.consider(
        name, "high", high, limits.limit_delay_s,
        f"{celsius:.1f} °C is above {limits.high_c:.1f} °C" if high else "", suppressed=on_the_way,
    )
    watch.consider(
        name, "low", low, limits.limit_delay_s,
        f"{celsius:.1f} °C is below {limits.low_c:.1f} °C" if low else "",
    )
    watch.consider(
        name, "deviation", drifted, limits.delay_s,
        f"{away_k:+.1f} K from the setpoint" if drifted else "", suppressed=on_the_way,
    )
    _watch_batch(watch, name, state, limits.reminder_s)


def _watch_batch(watch: Watch, name: str, state: VesselState, reminder_s: float) -> None:
    program, batch = state.program, state.batch
    running = state.condition is BatchState.RUNNING and program is not None
    overtime = running and program is not None and program.overtime
    complete = state.condition is BatchState.COMPLETE
    asks = complete or (running and program is not None and program.waiting)
    question = ""
    if asks and batch and batch.profile and program:
        step = batch.profile.steps[program.step]
        question = "the profile is complete; say packaged when the vessel is empty" if complete else step.ends.confirmed
    told = watch.alarms.get(f"{name}/prompt") if asks else None
    if told and told.phase in ACTIVE and told.text != question:
        asks = False  # another question is another prompt: the old one is over, the new one follows
    off_s = state.off_since_s
    forgotten = batch is not None and off_s is not None and watch.moment.now_s - off_s >= reminder_s
    watch.consider(name, "step time", overtime, 0.0, "the step has reached its longest time")
    watch.consider(name, "prompt", asks, 0.0, question)
    watch.consider(name, "reminder", forgotten, 0.0, "mode off with beer in the vessel")


def watch_bath(watch: Watch, bath: Bath, signal: Signal | None) -> None:
    """The bath's conditions."""
    if signal is None:
        return
    fit = fit_to_drive(signal) and signal.celsius is not None
    watch.consider("bath", "bath signal", not fit, SIGNAL_DELAY_S, signal.cause)
    celsius = signal.celsius if fit and signal.celsius is not None else None
    if celsius is None:
        warm = freezing = False
    else:
        warm = celsius > bath.warm_c - (DEADBAND_K if watch.active("bath/bath warm") else 0.0)
        limit_c = bath.freeze_c + bath.freeze_margin_k
        freezing = celsius < limit_c + (DEADBAND_K if watch.active("bath/bath freezing") else 0.0)
    watch.consider("bath", "bath warm", warm, BATH_DELAY_S, f"bath at {celsius or 0.0:.1f} °C")
    watch.consider("bath", "bath freezing", freezing, SIGNAL_DELAY_S, f"bath at {celsius or 0.0:.1f} °C")
