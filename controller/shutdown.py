"""The last thing that a run does, whatever ended it: everything off, confirmed, or said which output is not."""

import logging
from collections.abc import Collection, Mapping
from typing import NamedTuple

from controller.connection import Connection
from controller.control.site import Ending, Output, Site
from controller.control.state import OutputState, SiteState
from controller.control.values import Record, RecordKind
from controller.field.dispatch import Dispatcher

LOG = logging.getLogger(__name__)

OFF_WITHIN_S = 2.0
ENDS = {
    Ending.DEVICE_TIMER: "its own timer ends it",
    Ending.POWER_LOSS: "it ends when its power is cut",
    Ending.NOTHING: "it does not end by itself: switch it off by hand",
}


class Driven(NamedTuple):
    """One output as the site file describes it and as it was commanded last."""

    output: Output
    was: OutputState


def driven_outputs(site: Site, state: SiteState) -> dict[str, Driven]:
    """Every output of the site by its tag."""
    pairs = [
        pair
        for vessel in site.vessels
        for now in [state.vessels[vessel.name]]
        for pair in ((vessel.cooler, now.cooler), (vessel.heater, now.heater))
    ]
    return {output.tag: Driven(output, was) for output, was in pairs if output is not None and was is not None}


async def switch_off(
    dispatcher: Dispatcher, link: Connection, tags: Collection[str], outputs: Mapping[str, Driven]
) -> bool:
    """Command `tags` off and wait at most 2 s; log each that was not confirmed, with the cause and how it ends.
    True if all were confirmed."""
    confirmed = await dispatcher.all_off(tags, OFF_WITHIN_S)
    late = f"the broker did not acknowledge it within {OFF_WITHIN_S:.0f} s"
    unsure: dict[tuple[str, Ending], list[str]] = {}
    for tag, (output, was) in outputs.items():
        if tag in tags and tag not in confirmed:
            cause = dispatcher.last_failure.get(tag, late) if link.connected else link.trouble
            unsure.setdefault((cause, output.ending), []).append(f"{tag} (last {'on' if was.on else 'off'})")
    for (cause, ending), names in unsure.items():
        LOG.warning("not confirmed off: %s: %s; %s", ", ".join(names), cause, ENDS[ending])
    return confirmed == set(tags)


def off_records(site: Site, state: SiteState, reason: str, tags: Collection[str] | None = None) -> list[Record]:
    """What is to be remembered of an "off" from outside the core: a record for each of `tags` (None: all) that was
    on."""
    return [
        Record(state.now_s, state.utc_s, vessel, RecordKind.OUTPUT, name, "off", reason)
        for tag, driven in driven_outputs(site, state).items()
        for vessel, _, name in [tag.partition("/")]
        if driven.was.on and (tags is None or tag in tags)
    ]
