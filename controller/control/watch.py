"""The result is judged: which alarm conditions are present after this scan."""

from collections.abc import Mapping, Set

from controller.control.alarms import ACTIVE, next_phase, taken_out_of_service
from controller.control.blind import foretold
from controller.control.budget import overspent
from controller.control.compressor import without_effect
from controller.control.diagnosis import FAULTS
from controller.control.estimate import disagreeing
from controller.control.feeding import Feeding
from controller.control.follow import Moment, deviation_k, settling
from controller.control.interlock import REGULATED
from controller.control.site import Bath, Output, Vessel
from controller.control.state import AlarmPhase, AlarmState, BatchState, Chilling, Mode, VesselState
from controller.control.trust import fit_to_drive
from controller.control.values import Drive, Record, RecordKind, Signal

SIGNAL_DELAY_S = 60.0  # EEMUA 191's starting value for a temperature, from memory
STARTS_DELAY_S = 3600.0  # common practice, no source
BATH_DELAY_S = 15 * 60.0  # common practice, no source
DEADBAND_K = 0.5  # of the bath's alarms; common practice, no source

_NOTHING: Set[str] = frozenset()


class Watch:
    """The alarms of one scan: starts from the last ones, copies them when the first one changes."""

    def __init__(self, alarms: Mapping[str, AlarmState], moment: Moment, records: list[Record]) -> None:
        self.alarms, self.moment, self.records = alarms, moment, records
        self._copied = False
        self._told: dict[str, set[str]] = {}
        for key in alarms:
            where, _, kind = key.partition("/")
            self._told.setdefault(where, set()).add(kind)

    def told(self, where: str) -> Set[str]:
        """The kinds of alarm that live there: only these, and what is present now, need to be considered."""
        return self._told.get(where, _NOTHING)

    def active(self, where: str, kind: str) -> bool:
        """Whether the alarm is active, for deadbands."""
        return kind in self.told(where) and self.alarms[f"{where}/{kind}"].phase in ACTIVE

    def consider(
        self, where: str, kind: str, present: bool, delay_s: float, text: str, suppressed: bool = False
    ) -> None:
        """Let one alarm live through this scan."""
        key = f"{where}/{kind}"
        last = self.alarms.get(key)
        after = next_phase(last, present, delay_s, suppressed, self.moment.now_s, text)
        if after is not last:
            reason = text if after and present else f"over: {last.text}" if last and last.text else "over"
            self._become(where, kind, last, after, reason)

    def take_out_of_service(self, where: str) -> None:
        """Let the alarms that live there wait until it is in service again; not those of faulty devices."""
        for kind in sorted(self.told(where)):
            if kind in FAULTS:  # a device does not become sound by a cleaning
                continue
            last = self.alarms[f"{where}/{kind}"]
            after = taken_out_of_service(last)
            if after is not last:
                self._become(where, kind, last, after, f"out of service: {last.text}")

    def _become(self, where: str, kind: str, last: AlarmState | None, after: AlarmState | None, reason: str) -> None:
        key = f"{where}/{kind}"
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
            self.records.append(Record(at_s, utc_s, vessel, RecordKind.ALARM, kind, phase.value, reason))


def watch_vessel(
    watch: Watch, vessel: Vessel, state: VesselState, signals: list[Signal], feeding: Feeding | None = None
) -> None:
    """All conditions of one vessel. Without a batch to regulate, none is present; out of service, those that
    nobody has acknowledged yet are put away too. `feeding` tells what a fault elsewhere keeps from the vessel."""
    name, wort, told = vessel.name, state.estimate, watch.told(vessel.name)
    for kind in FAULTS:
        fault = state.faults.get(kind)
        if fault is not None or kind in told:
            watch.consider(name, kind, fault is not None, 0.0, fault.text if fault else "")
    if not state.in_service and state.batch is None:
        watch.take_out_of_service(name)
        return
    beer = state.batch is not None and state.condition in REGULATED and state.setpoint is not None
    blind = beer and wort.drive is Drive.NOTHING
    if blind or "signal" in told:
        text = f"no fit signal: {wort.cause}; {foretold(vessel, state)}" if blind else ""
        watch.consider(name, "signal", blind, SIGNAL_DELAY_S, text)
    bad = beer and not blind and wort.cause != ""
    if bad or "probe" in told:
        watch.consider(name, "probe", bad, SIGNAL_DELAY_S, wort.cause)
    apart = beer and len(signals) > 1 and disagreeing(signals)
    if apart or "disagreement" in told:
        watch.consider(name, "disagreement", apart, SIGNAL_DELAY_S, "two probes differ by more than 1 K")
    often = overspent(vessel, state.cooler, state.heater, watch.moment.now_s)
    if often or "starts" in told:
        _watch_starts(watch, vessel, often, often != "")
    _watch_temperature(watch, vessel, state, told, beer and not blind, feeding)
    _watch_batch(watch, vessel, state, told)


def _watch_starts(watch: Watch, vessel: Vessel, name: str, present: bool) -> None:
    output = vessel.cooler if name == "cooler" else vessel.heater
    budget = output.starts_per_day if output else 0.0
    text = f"the {name} starts more often than {budget:g} times a day: pulses longer, deadband wider"
    watch.consider(vessel.name, "starts", present, STARTS_DELAY_S, text)


def _watch_temperature(
    watch: Watch, vessel: Vessel, state: VesselState, told: Set[str], known: bool, feeding: Feeding | None
) -> None:
    name, limits, now_s = vessel.name, vessel.alarms, watch.moment.now_s
    high = low = drifted = False
    celsius = away_k = 0.0
    if known and state.estimate.celsius is not None and state.setpoint is not None:
        celsius, away_k = state.estimate.celsius, deviation_k(state.setpoint, state.estimate)
        high = celsius > limits.high_c - (limits.deadband_k if "high" in told and watch.active(name, "high") else 0.0)
        low = celsius < limits.low_c + (limits.deadband_k if "low" in told and watch.active(name, "low") else 0.0)
        slack_k = limits.deadband_k if "deviation" in told and watch.active(name, "deviation") else 0.0
        drifted = state.mode is Mode.AUTO and abs(away_k) > limits.deviation_k - slack_k
    if high or "high" in told:
        text = f"{celsius:.1f} °C is above {limits.high_c:.1f} °C{_for_want_of(vessel.cooler, feeding)}"
        watch.consider(name, "high", high, limits.limit_delay_s, text, settling(state, now_s))
    if low or "low" in told:
        text = f"{celsius:.1f} °C is below {limits.low_c:.1f} °C{_for_want_of(vessel.heater, feeding)}"
        watch.consider(name, "low", low, limits.limit_delay_s, text)
    if drifted or "deviation" in told:
        wanted = vessel.cooler if away_k > 0.0 else vessel.heater
        text = f"{away_k:+.1f} K from the setpoint{_for_want_of(wanted, feeding)}"
        watch.consider(name, "deviation", drifted, limits.delay_s, text, settling(state, now_s))


def _for_want_of(output: Output | None, feeding: Feeding | None) -> str:
    """What the vessel's loop is not to blame for: the fault of another keeps power or flow from an output."""
    withheld = feeding.withheld(output.tag) if feeding and output else ""
    return f"; {withheld}" if withheld else ""


def _watch_batch(watch: Watch, vessel: Vessel, state: VesselState, told: Set[str]) -> None:
    name, program, off_s = vessel.name, state.program, state.off_since_s
    overtime, asks = False, state.condition is BatchState.COMPLETE
    if state.condition is BatchState.RUNNING and program is not None:
        overtime, asks = program.overtime, program.waiting
    if overtime or "step time" in told:
        watch.consider(name, "step time", overtime, 0.0, "the step has reached its longest time")
    if asks or "prompt" in told:
        question = _question(state) if asks else ""
        if watch.active(name, "prompt") and watch.alarms[f"{name}/prompt"].text != question:
            asks = False  # another question is another prompt: the old one is over, the new one follows
        watch.consider(name, "prompt", asks, 0.0, question)
    off_for_s = 0.0 if off_s is None or state.batch is None else watch.moment.now_s - off_s
    forgotten = off_for_s >= vessel.alarms.reminder_s
    if forgotten or "reminder" in told:
        watch.consider(name, "reminder", forgotten, 0.0, "mode off with beer in the vessel")


def _question(state: VesselState) -> str:
    if state.condition is BatchState.COMPLETE:
        return "the profile is complete; say packaged when the vessel is empty"
    if state.batch is None or state.batch.profile is None or state.program is None:
        return ""
    return state.batch.profile.steps[state.program.step].ends.confirmed


def watch_bath(watch: Watch, bath: Bath, signal: Signal | None, excused_c: float | None) -> None:
    """The bath's conditions. Up to `excused_c` (°C) it is not called warm."""
    if signal is None:
        return
    told = watch.told("bath")
    celsius = signal.celsius if fit_to_drive(signal) else None
    warm = freezing = False
    if celsius is not None:
        warm_c = bath.warm_c if excused_c is None else max(bath.warm_c, excused_c)
        warm = celsius > warm_c - (DEADBAND_K if watch.active("bath", "bath warm") else 0.0)
        limit_c = bath.freeze_c + bath.freeze_margin_k
        freezing = celsius < limit_c + (DEADBAND_K if watch.active("bath", "bath freezing") else 0.0)
    if celsius is None or "bath signal" in told:
        watch.consider("bath", "bath signal", celsius is None, SIGNAL_DELAY_S, signal.cause)
    if warm or "bath warm" in told:
        watch.consider("bath", "bath warm", warm, BATH_DELAY_S, f"bath at {celsius or 0.0:.1f} °C")
    if freezing or "bath freezing" in told:
        watch.consider("bath", "bath freezing", freezing, SIGNAL_DELAY_S, f"bath at {celsius or 0.0:.1f} °C")


def watch_chiller(watch: Watch, chilling: Chilling | None, overloaded: bool) -> None:
    """Whether the chiller that runs makes the bath colder. While more is asked of it than it can give, that is no
    wonder."""
    present = without_effect(chilling, watch.moment.now_s)
    if present or "chiller no effect" in watch.told("bath"):
        best_c = chilling.best_c if chilling else 0.0
        text = f"the chiller has been asked to run for two hours and the bath is still at {best_c:.1f} °C"
        watch.consider("bath", "chiller no effect", present, 0.0, text, present and overloaded)
