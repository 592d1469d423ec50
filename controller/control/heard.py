"""What a device may be doing while its commands do not arrive (design rules 1, 3 and 8).

An "on" that nobody has renewed ends in the device by itself; an "off" that has not arrived ends nothing. So protective
times run from what the device can have heard, not from what was decided here.
"""

from controller.control.drive import switched
from controller.control.follow import Moment
from controller.control.site import Ending, Output, Vessel
from controller.control.state import OutputState, VesselState
from controller.control.values import Inputs, Record

UNRENEWED = "no renewal has arrived: its own timer ends it"


def vessel_heard(
    vessel: Vessel, was: VesselState, inputs: Inputs, moment: Moment, records: list[Record]
) -> VesselState:
    """The vessel's outputs as far as their commands have arrived."""
    cooler, heater = was.cooler, was.heater
    if cooler is not None and vessel.cooler is not None:
        cooler = heard(vessel.name, "cooler", vessel.cooler, cooler, inputs, moment, records)
    if heater is not None and vessel.heater is not None:
        heater = heard(vessel.name, "heater", vessel.heater, heater, inputs, moment, records)
    return was._replace(cooler=cooler, heater=heater)


def heard(
    where: str, name: str, output: Output, was: OutputState, inputs: Inputs, moment: Moment, records: list[Record]
) -> OutputState:
    """One output; an "on" whose renewals have not arrived for about its lifetime is over, and recorded as such; the off
    time of one whose "off" has not arrived has not begun."""
    lost = output.tag in inputs.unheard
    if not lost and output.tag not in inputs.under_way:
        return was._replace(heard_s=was.sent_s)
    now_s = moment.now_s
    if was.on:
        # One that reaches a device only after its timer has ended the "on" would start it again at once.
        last_s = max(was.heard_s, was.since_s) + output.lifetime_s - output.renew_s
        if output.ending is not Ending.DEVICE_TIMER or now_s < last_s:
            return was
        return switched(where, name, output, False, 0.0, UNRENEWED, was, "", moment, records)
    if not lost or was.heard_s >= was.since_s:
        return was
    ended_s = now_s if was.ended_s is not None and was.ended_s >= was.since_s else was.ended_s
    return was._replace(since_s=now_s, ended_s=ended_s)
