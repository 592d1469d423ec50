"""The outputs on their way to the devices: what does not arrive is told, and the last word to each is "off"."""

import logging
from collections.abc import Collection, Mapping, Sequence
from typing import NamedTuple

from controller.connection import Connection
from controller.control.site import UPSTREAM, Ending, Output, Site
from controller.control.state import OutputState, SiteState
from controller.control.values import Command, Record, RecordKind
from controller.field.dispatch import Dispatcher
from controller.installation import Actuator

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


class Told(NamedTuple):
    """Whether the connection is a new one, or the files are, since the last time; the tags whose command may not have
    arrived (all of them then, else those that failed), those whose command did not reach the broker, and those for
    which nobody can say yet."""

    anew: bool
    again: frozenset[str]
    unheard: frozenset[str]
    under_way: frozenset[str]


class Outputs:
    """The outputs of a site file. Where another daemon drives them, nothing is sent."""

    def __init__(self, actuators: Mapping[str, Actuator], link: Connection, state: SiteState) -> None:
        self._actuators, self._link = actuators, link
        self._dispatcher = Dispatcher(actuators, link)
        self._dispatcher.begin(state.epoch, state.number)
        self._told: dict[str, str] = {}
        self._sessions = -1

    def change(self, actuators: Mapping[str, Actuator]) -> None:
        """Go on with those of another site file: all is to be said again."""
        self._actuators, self._sessions = actuators, -1
        self._dispatcher.change(actuators)

    def told(self) -> Told:
        """What has become of the commands so far."""
        anew = self._link.sessions != self._sessions
        self._sessions = self._link.sessions
        again = self._actuators if anew else self._dispatcher.last_failure
        return Told(anew, frozenset(again), frozenset(self._dispatcher.unheard), self._dispatcher.under_way)

    def send(self, commands: Sequence[Command]) -> None:
        """Start to send a scan's commands. Which outputs do not get theirs is logged once, and when they do again."""
        if not self._link.taken_over:
            self._dispatcher.send(commands)
        if not self._link.connected:  # the connection has told its own trouble
            return
        failing = dict(self._dispatcher.last_failure)
        for tag, cause in failing.items():
            if self._told.get(tag) != cause:
                LOG.warning("%s does not get its commands: %s", tag, cause)
        for tag in self._told.keys() - failing.keys():
            LOG.info("%s gets its commands again", tag)
        self._told = failing

    @property
    def unheard(self) -> Mapping[str, str]:
        """The outputs whose newest command did not arrive while there was a connection, each with the cause."""
        return self._told

    @property
    def all_said(self) -> bool:
        """Whether the first command to each output has arrived or has failed."""
        return all(self._dispatcher.confirmed[tag] or self._dispatcher.failed[tag] for tag in self._actuators)

    async def switch_off(self, tags: Collection[str], site: Site, state: SiteState) -> bool:
        """Command `tags` off and wait at most 2 s; log each that was not confirmed, with the cause and how it ends.
        True if all were confirmed; False too where another daemon drives them, to whom nothing is said."""
        if self._link.taken_over:
            return False
        confirmed = await self._dispatcher.all_off(tags, OFF_WITHIN_S)
        late = f"the broker did not acknowledge it within {OFF_WITHIN_S:.0f} s"
        unsure: dict[tuple[str, Ending], list[str]] = {}
        for tag, (output, was) in driven_outputs(site, state).items():
            if tag in tags and tag not in confirmed:
                cause = self._dispatcher.last_failure.get(tag, late) if self._link.connected else self._link.trouble
                unsure.setdefault((cause, output.ending), []).append(f"{tag} (last {'on' if was.on else 'off'})")
        for (cause, ending), names in unsure.items():
            LOG.warning("not confirmed off: %s: %s; %s", ", ".join(names), cause, ENDS[ending])
        return confirmed == set(tags)


def driven_outputs(site: Site, state: SiteState) -> dict[str, Driven]:
    """Every output of the site by its tag, what stands upstream first."""
    shared = [(device.output, state.upstream.get(device.output.tag)) for device in site.upstream]
    pairs = [
        pair
        for vessel in site.vessels
        for now in [state.vessels[vessel.name]]
        for pair in ((vessel.cooler, now.cooler), (vessel.heater, now.heater))
    ]
    return {
        output.tag: Driven(output, was) for output, was in [*shared, *pairs] if output is not None and was is not None
    }


def off_records(site: Site, state: SiteState, reason: str, tags: Collection[str] | None = None) -> list[Record]:
    """What is to be remembered of an "off" from outside the core: a record for each of `tags` (None: all) that was
    on (design rule 11)."""
    return [
        Record(state.now_s, state.utc_s, "" if place == UPSTREAM else place, RecordKind.OUTPUT, name, "off", reason)
        for tag, driven in driven_outputs(site, state).items()
        for place, _, name in [tag.partition("/")]
        if driven.was.on and (tags is None or tag in tags)
    ]
