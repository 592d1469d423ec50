"""From grant to command for one vessel: shaping, then the interlock, then what is sent and recorded."""

from typing import NamedTuple

from controller.control.budget import BURST_S, SWING_K, paid_s, stretched_cycle_s
from controller.control.feeding import Feeding
from controller.control.follow import Course, Moment
from controller.control.interlock import PROTECTIVE_OFF, REGULATED, freezing_limit_c, locked_out, may_cool, may_heat
from controller.control.shaping import near_freezing_duty, shaped
from controller.control.site import Output, Vessel
from controller.control.state import START, Mode, OutputState, VesselState
from controller.control.values import Estimate, Grant, Record, RecordKind, Signal

# An "off" is said again this often even if it was acknowledged; an "on" as often as its output asks for.
OFF_AGAIN_S = 600.0  # common practice, no source
STAYS_OPEN = "open until the pump has stopped"


class Driven(NamedTuple):
    """What became of a grant: both outputs, and the watts that were really applied."""

    cooler: OutputState | None
    heater: OutputState | None
    applied_w: float


def drive(
    vessel: Vessel,
    was: VesselState,
    course: Course,
    wort: Estimate,
    grant: Grant,
    signals: list[Signal],
    moment: Moment,
    started: bool,
    records: list[Record],
    feeding: Feeding | None = None,
    later: str = "",
    pulse: int | None = None,
    cycles: float = 1.0,
) -> Driven:
    """Switch the vessel's outputs. Before `started` everything is off, whatever was granted (design rule 3).
    `feeding` is what stands upstream of them, None for a site without; `later` says why a cooler that is off does not
    start in this scan; `pulse` is which output the loop wants on now (None: pulses by the account of on-time, which are
    `cycles` times as long as the loop's)."""
    cooler, heater = was.cooler, was.heater
    if not started:
        grant = Grant(0.0, START)
    batch, condition, mode, now_s = was.batch, course.condition, course.mode, moment.now_s
    regulated = started and condition in REGULATED and mode is not Mode.OFF
    applied_w = 0.0
    if cooler is not None and vessel.cooler is not None:
        duty = -grant.heat_w / vessel.cooler.power_w if grant.heat_w < 0.0 else 0.0
        if duty > 0.0 or cooler.on:
            cold_c = wort.cold_c if was.blind.lost_s is None else was.blind.lowest_c
            limit_c = freezing_limit_c(vessel, batch)
            most = near_freezing_duty(cold_c, limit_c)
            duty = min(duty, most)
            if most < 1.0 and pulse is not None:
                # The load's mean is no reason to cool a wort that is cold enough already: only while the loop wants it.
                duty = most if pulse < 0 else 0.0
            above_k = wort.cold_c - course.setpoint.high_c if course.setpoint else 0.0
            now = None if pulse is None or most < 1.0 else pulse < 0
            wish = _wish(vessel, vessel.cooler, cooler, duty, now, above_k, cold_c - limit_c, moment, cycles)
            veto = ""
            if wish.on:
                veto = locked_out(was, "cooler", now_s) if was.faults else ""
                veto = veto or may_cool(vessel, batch, condition, mode, signals, cooler, heater, now_s, was.blind)
                if feeding is not None and not veto:
                    veto = feeding.missing(vessel.cooler, cooler)
            on = wish.on and not veto and regulated
            reason = _reason(vessel.cooler, cooler, on, veto, duty > 0.0 and regulated, grant.reason, now_s)
            if later and on and not cooler.on:
                on, reason = False, later
            applied_w = 0.0 if veto or not regulated else -duty * vessel.cooler.power_w
            if feeding is not None and cooler.on and not on:
                unsafe = veto or may_cool(vessel, batch, condition, mode, signals, cooler, heater, now_s, was.blind)
                on = feeding.keeps_open(vessel.cooler.tag, bool(unsafe) or not regulated, unsafe or reason)
                reason, veto = (STAYS_OPEN, "") if on else (reason, veto)
            cooler = switched(
                vessel.name, "cooler", vessel.cooler, on, wish.owed_s, reason, cooler, veto, moment, records
            )
        else:
            cooler = _resting(cooler, grant.reason)
    if heater is not None and vessel.heater is not None:
        duty = grant.heat_w / vessel.heater.power_w if grant.heat_w > 0.0 else 0.0
        if duty > 0.0 or heater.on:
            below_k = course.setpoint.low_c - wort.warm_c if course.setpoint else 0.0
            wish = _wish(
                vessel, vessel.heater, heater, duty, None if pulse is None else pulse > 0, below_k, SWING_K, moment
            )
            veto = ""
            if wish.on:
                veto = locked_out(was, "heater", now_s) if was.faults else ""
                veto = veto or may_heat(vessel, batch, condition, mode, signals, heater, cooler, now_s)
                if feeding is not None and not veto:
                    veto = feeding.missing(vessel.heater, heater)
            on = wish.on and not veto and regulated
            reason = _reason(vessel.heater, heater, on, veto, duty > 0.0 and regulated, grant.reason, now_s)
            heater = switched(
                vessel.name, "heater", vessel.heater, on, wish.owed_s, reason, heater, veto, moment, records
            )
            applied_w += 0.0 if veto or not regulated else duty * vessel.heater.power_w
        else:
            heater = _resting(heater, grant.reason)
    return Driven(cooler, heater, applied_w)


def _wish(
    vessel: Vessel, output: Output, state: OutputState, duty: float, pulse: bool | None, away_k: float, room_k: float,
    moment: Moment, cycles: float = 1.0,
) -> OutputState:  # fmt: skip
    """What shaping wants: the loop's own pulse, or pulses by the account at this duty. `away_k` is how far the wort is
    where the output brings it back from, `room_k` how far it may swing."""
    now_s, cycle_s = moment.now_s, cycles * vessel.loop.cycle_s
    if pulse is not None:
        return shaped(output, state, 1.0 if pulse else 0.0, cycle_s, now_s, moment.dt_s)
    if state.paid_s - now_s > BURST_S:
        cycle_s = max(cycle_s, stretched_cycle_s(vessel, output, state, duty, now_s, away_k, room_k))
    return shaped(output, state, duty, cycle_s, now_s, moment.dt_s)


def due(output: Output, state: OutputState, now_s: float) -> bool:
    """Whether the output's command is to be sent (again) in this scan."""
    return state.sent_s < state.since_s or now_s - state.sent_s >= (output.renew_s if state.on else OFF_AGAIN_S)


def _resting(state: OutputState, reason: str) -> OutputState:
    if state.reason == reason and state.owed_s == 0.0:
        return state
    return state._replace(reason=reason, owed_s=0.0)


def _reason(output: Output, was: OutputState, on: bool, veto: str, waits: bool, because: str, now_s: float) -> str:
    """Why the output is on or off; `waits` says that it is wanted and regulated."""
    if on:
        return was.reason if was.on else because
    if veto:
        return veto
    if not waits:
        return because
    return PROTECTIVE_OFF if not was.on and now_s - was.since_s < output.shortest_off_s else "between pulses"


def switched(
    where: str,
    name: str,
    output: Output,
    on: bool,
    owed_s: float,
    reason: str,
    was: OutputState,
    veto: str,
    moment: Moment,
    records: list[Record],
) -> OutputState:
    """The output `name` of a vessel (or of the site, `where` "") after this scan, and a record if it changed or was
    taken away for another reason than before."""
    now_s, utc_s = moment.now_s, moment.utc_s
    on_s = was.on_s + (moment.dt_s if was.on else 0.0)
    ended_s = now_s if was.on or on else was.ended_s
    if on == was.on:
        if veto and was.reason != veto:
            records.append(Record(now_s, utc_s, where, RecordKind.LIMIT, name, "off", veto))
        return was._replace(reason=reason, owed_s=owed_s, ended_s=ended_s, on_s=on_s)
    records.append(Record(now_s, utc_s, where, RecordKind.OUTPUT, name, "on" if on else "off", reason))
    unsent_s = min(was.sent_s, now_s - 1.0)  # before the change, even if the last command is of this instant
    paid = paid_s(output, was.paid_s, now_s) if on else was.paid_s
    return OutputState(on, now_s, unsent_s, reason, owed_s, ended_s, was.starts + on, on_s, paid, was.heard_s)
