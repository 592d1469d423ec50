"""After the vessels have decided: what several outputs share. A contactor gives power, a pump gives flow, a
chiller's compressor cold.

A contactor is closed while a vessel that it feeds is regulated. A pump runs while a valve that is fully open asks for
flow. Both are commanded off at once when an output that they feed does not stop, and stay off until a person has said
that it was inspected (design rule 5). That its neighbours then have no heat or no cooling is the price: a beer that
freezes comes before one that warms, and a heater that runs on before both; a status and an alarm tell.

The valve opens first and the pump stops first. A pump keeps its shortest on time, for which the last valve stays open,
unless that valve must close for a reason of safety; then the pump stops at once.
"""

from collections.abc import Mapping

from controller.control.compressor import compressor
from controller.control.drive import switched
from controller.control.feeding import UNTIL_INSPECTED, Feeding, cooler_of, fully_open, powered, stuck
from controller.control.follow import Moment
from controller.control.interlock import PROTECTIVE_OFF, REGULATED, rests
from controller.control.site import Site, Supply, Upstream
from controller.control.state import START, Mode, OutputState, SiteState, VesselState
from controller.control.values import Record, RecordKind, Signal

REGULATES, NOTHING_REGULATED = "a vessel that it feeds is regulated", "no vessel that it feeds is regulated"
FLOW, NO_FLOW, VALVE_FIRST = "a valve asks for flow", "no valve asks for flow", "the valve opens first"
VALVE_UNHEARD = "the open valve does not get its commands"


def decide(
    site: Site,
    state: SiteState,
    vessels: Mapping[str, VesselState],
    feeding: Feeding,
    bath: Signal | None,
    moment: Moment,
    records: list[Record],
) -> dict[str, OutputState]:
    """Every device upstream after this scan, by tag; `vessels` are those after it, `bath` is the bath's signal. Before
    the start all are off."""
    after = dict(state.upstream)
    for device in sorted(site.upstream, key=lambda each: each.supply is Supply.PUMP):  # a valve may need its contactor
        at = after[device.output.tag]
        kept = stuck(device, vessels)
        if not state.started:
            on, reason = False, START
        elif kept:
            on, reason = False, kept
        elif device.supply is Supply.CHILLER:
            assert site.bath is not None
            on, reason = compressor(site.bath, device, at, bath, moment.now_s)
        elif device.supply is Supply.CONTACTOR:
            on, reason = _contactor(device, at, vessels, moment.now_s)
        else:
            on, reason = _pump(site, device, at, vessels, after, feeding, moment.now_s)
        _tell_of_a_fault(device, at, reason, moment, records)
        after[device.output.tag] = switched("", device.name, device.output, on, 0.0, reason, at, "", moment, records)
    return after


def _contactor(
    contactor: Upstream, at: OutputState, vessels: Mapping[str, VesselState], now_s: float
) -> tuple[bool, str]:
    fed = (vessels[tag.partition("/")[0]] for tag in contactor.feeds)
    if not any(vessel.condition in REGULATED and vessel.mode is not Mode.OFF for vessel in fed):
        return False, NOTHING_REGULATED
    return _unless_resting(contactor, at, now_s, REGULATES)


def _pump(
    site: Site,
    pump: Upstream,
    at: OutputState,
    vessels: Mapping[str, VesselState],
    upstream: Mapping[str, OutputState],
    feeding: Feeding,
    now_s: float,
) -> tuple[bool, str]:
    held = feeding.held.get(pump.output.tag, [])
    closing = {each.tag for each in held}
    asking = [
        tag
        for tag in pump.feeds
        if (valve := cooler_of(vessels, tag)) and valve.on and tag not in closing and powered(site, upstream, tag)
    ]
    heard = [tag for tag in asking if feeding.hears(pump, tag)]
    if any(fully_open(pump, cooler_of(vessels, tag), now_s) for tag in heard):
        return _unless_resting(pump, at, now_s, FLOW)
    urgent = next((each for each in held if each.urgent), None)
    if urgent is not None:
        return False, f"{urgent.tag.partition('/')[0]}: {urgent.why}"
    if at.on and held and (heard or now_s - at.since_s < pump.output.shortest_on_s):
        return True, FLOW
    return False, VALVE_FIRST if heard else VALVE_UNHEARD if asking else NO_FLOW


def _unless_resting(device: Upstream, at: OutputState, now_s: float, because: str) -> tuple[bool, str]:
    if rests(device.output, at, now_s):
        return False, PROTECTIVE_OFF
    return True, because


def _tell_of_a_fault(device: Upstream, at: OutputState, reason: str, moment: Moment, records: list[Record]) -> None:
    """A record when a fault begins to keep a device off, and when it no longer does."""
    if reason == at.reason:
        return
    if reason.endswith(UNTIL_INSPECTED):
        told = ("kept off", reason)
    elif at.reason.endswith(UNTIL_INSPECTED):
        told = ("free again", "what it feeds was inspected")
    else:
        return
    records.append(Record(moment.now_s, moment.utc_s, "", RecordKind.STATE, device.name, *told))
