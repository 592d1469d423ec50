"""What the service says on its own topics: each vessel's state, retained, and answers to operators.

Queued, so that no scan waits for a broker; when nobody takes them, the oldest goes: states are said again anyway.
"""

import asyncio
from collections.abc import Iterable
from contextlib import suppress

from controller.control.site import Site
from controller.control.state import SiteState
from controller.control.values import Record
from controller.display import Display
from controller.field.link import Link, LinkDown
from controller.field.own_topics import state_payload, state_topic
from controller.hmi.status import vessel_dict

MOST_WAITING = 1000
POLL_S = 0.01
STATE_EVERY_S = 300.0  # a vessel's retained state is said again this often, and at once when it has changed:
STATE_STEP_K = 0.1  # its records, or its wort by this much


class Publications:
    """The queue of own messages to `link`, which `run` empties. `display` is how people want to see figures.
    `answers_dropped` counts answers to operators that were pushed out before they could leave."""

    def __init__(self, link: Link, display: Display) -> None:
        self._link = link
        self.display = display
        self.answers_dropped = 0
        self._waiting: asyncio.Queue[tuple[str, bytes, bool, bytes | None]] = asyncio.Queue(MOST_WAITING)
        self._said: dict[str, tuple[float, float]] = {}

    def offer(self, topic: str, payload: bytes, retain: bool, correlation: bytes | None = None) -> None:
        """Queue a message."""
        if self._waiting.full():
            _, _, is_state, _ = self._waiting.get_nowait()
            self.answers_dropped += not is_state  # a state is said again
        self._waiting.put_nowait((topic, payload, retain, correlation))

    def say_states(self, site: Site, state: SiteState, records: Iterable[Record], anew: bool) -> None:
        """Publish a vessel's state when something happened to it, when its wort moved, and now and then; all `anew`."""
        if not self._link.connected:  # all is said anew on return
            return
        changed = {record.vessel for record in records}
        for vessel in site.vessels:
            celsius = state.vessels[vessel.name].estimate.celsius or 0.0
            said_s, said_c = self._said.get(vessel.name, (-STATE_EVERY_S, 0.0))
            quiet = abs(celsius - said_c) < STATE_STEP_K and state.now_s - said_s < STATE_EVERY_S
            if quiet and not anew and vessel.name not in changed:
                continue
            self._said[vessel.name] = (state.now_s, celsius)
            payload = state_payload(vessel_dict(site, vessel, state, self.display))
            self.offer(state_topic(site.name, vessel.name), payload, True)

    def forget(self, site: str, vessel: str) -> None:
        """Take back what the broker keeps of a vessel that is no more: an empty retained message does that
        (MQTT 5.0, section 3.3.1.3)."""
        self._said.pop(vessel, None)
        self.offer(state_topic(site, vessel), b"", True)

    async def run(self) -> None:
        """Publish what waits until cancelled."""
        while True:
            topic, payload, retain, correlation = await self._waiting.get()
            while not self._link.connected:  # an answer to what came in while the connection was being made
                await asyncio.sleep(POLL_S)
            with suppress(LinkDown):  # counted by the link; states are said again on return
                await self._link.publish(topic, payload, qos=1, retain=retain, correlation=correlation)
