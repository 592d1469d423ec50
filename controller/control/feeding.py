"""What stands upstream of the vessels' outputs, as a scan finds it: a contactor gives power, a shared pump flow.

An output that is fed has one more permit than others. And of the valves on a running pump one stays open until the
pump was commanded off in an earlier scan: a pump never runs against closed valves.
"""

from collections.abc import Mapping, Set
from typing import NamedTuple

from controller.control.diagnosis import COOLER_WILL_NOT_STOP, HEATER_WILL_NOT_STOP
from controller.control.interlock import PROTECTIVE_OFF
from controller.control.site import Output, Site, Supply, Upstream
from controller.control.state import OutputState, SiteState, VesselState

STUCK_ON = {"cooler": COOLER_WILL_NOT_STOP, "heater": HEATER_WILL_NOT_STOP}
UNTIL_INSPECTED = "it must be inspected"


class Held(NamedTuple):
    """A valve that is to close and stays open in this scan. `urgent`: the pump stops at once, for the reason `why`."""

    tag: str
    urgent: bool
    why: str


class Feeding:
    """The devices upstream in one scan, as the last one left them. `held` are the valves that stay open for their pump,
    by its tag."""

    def __init__(self, site: Site, state: SiteState, now_s: float, unheard: Set[str]) -> None:
        self._site, self._state, self._now_s, self._unheard = site, state, now_s, unheard
        self._flowing: dict[str, set[str]] = {}
        self.held: dict[str, list[Held]] = {}

    def missing(self, output: Output, at: OutputState) -> str:
        """The permit that an output of a vessel misses upstream, or "" if it may be on."""
        for device in self._site.fed.get(output.tag, ()):
            given = self._state.upstream[device.output.tag]
            if device.supply is Supply.CONTACTOR:
                if not given.on:
                    return f"the contactor {device.name} is open: {given.reason}"
            elif at.on and self._now_s - at.sent_s > output.lifetime_s:
                return "the valve has closed by itself"
            elif not given.on and (why := self._no_flow(device, given, output, at)):
                return why
        return ""

    def withheld(self, tag: str) -> str:
        """What an output is kept from by the fault of another or its own, "" if by none."""
        for device in self._site.fed.get(tag, ()):
            why = stuck(device, self._state.vessels)
            if why:
                what = "contactor" if device.supply is Supply.CONTACTOR else "pump"
                return f"the {what} {device.name} is kept off: {why}"
        return ""

    def keeps_open(self, tag: str, urgent: bool, why: str) -> bool:
        """Whether a valve that is to close must stay open in this scan: its pump runs, and no other valve that is fully
        open takes the flow. The pump is asked to stop: at once if `urgent`, else within its shortest time."""
        pump = next((each for each in self._site.fed.get(tag, ()) if each.supply is Supply.PUMP), None)
        if pump is None or not self._state.started or not self._state.upstream[pump.output.tag].on:
            return False
        flowing = self._open_valves(pump)
        flowing.discard(tag)
        if flowing:
            return False
        self.held.setdefault(pump.output.tag, []).append(Held(tag, urgent, why))
        return True

    def hears(self, pump: Upstream, tag: str) -> bool:
        """Whether a valve gets its commands. Where the pump does not either, the connection is at fault, and both end
        by their own timers."""
        return tag not in self._unheard or pump.output.tag in self._unheard

    def _no_flow(self, pump: Upstream, given: OutputState, valve: Output, at: OutputState) -> str:
        why = stuck(pump, self._state.vessels)
        if why:
            return f"the pump {pump.name} is kept off: {why}"
        if valve.tag in self._unheard:
            return "the valve does not get its commands"
        if at.on and self._now_s - at.since_s < valve.shortest_on_s:
            return ""  # it opened in the very scan in which the pump was stopped for the sake of another
        if self._now_s - given.since_s + pump.leads_s < pump.output.shortest_off_s:
            return f"{PROTECTIVE_OFF} of the pump {pump.name}"
        return ""

    def _open_valves(self, pump: Upstream) -> set[str]:
        """The valves that were fully open when the scan began, without those that were allowed to close since."""
        flowing = self._flowing.get(pump.output.tag)
        if flowing is None:
            upstream, vessels = self._state.upstream, self._state.vessels
            flowing = {
                tag
                for tag in pump.feeds
                if fully_open(pump, cooler_of(vessels, tag), self._now_s)
                and powered(self._site, upstream, tag)
                and self.hears(pump, tag)
            }
            self._flowing[pump.output.tag] = flowing
        return flowing


def stuck(device: Upstream, vessels: Mapping[str, VesselState]) -> str:
    """The fault for which a device upstream is kept off, "" if none: an output of its own does not stop (rule 5)."""
    for tag in device.feeds:
        vessel, _, name = tag.partition("/")
        if STUCK_ON[name] in vessels[vessel].faults:
            return f"the {name} of {vessel} will not stop, {UNTIL_INSPECTED}"
    return ""


def cooler_of(vessels: Mapping[str, VesselState], tag: str) -> OutputState | None:
    """The state of a pump's valve."""
    return vessels[tag.partition("/")[0]].cooler


def fully_open(pump: Upstream, valve: OutputState | None, now_s: float) -> bool:
    """Whether a valve has been open for as long as it needs to open."""
    return valve is not None and valve.on and now_s - valve.since_s >= pump.leads_s


def powered(site: Site, upstream: Mapping[str, OutputState], tag: str) -> bool:
    """Whether the contactor of an output, if it has one, is closed."""
    devices = site.fed.get(tag, ())
    return all(upstream[each.output.tag].on for each in devices if each.supply is Supply.CONTACTOR)
