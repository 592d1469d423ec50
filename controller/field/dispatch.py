"""Commands on their way to the devices: one short-lived task for each, so that no scan waits for a broker."""

import asyncio
import json
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from functools import partial

from controller.control.values import Command
from controller.field.link import Link, LinkDown
from controller.installation import Actuator

OFF_LIFETIME_S = 90.0  # of an "off" at the end of the service: as long as a device may stay on by itself


class Dispatcher:
    """Sends commands and keeps count, by output tag, of `confirmed` and `failed` ones.

    At most one command of a tag is under way: a newer one takes its place, so none is ever sent after a newer
    one. Nothing waits for a connection: while there is none a command is dropped and counted as failed; the
    core renews it.
    `last_failure` holds the cause for each tag whose newest command failed; `unheard` are those of them whose command
    did not reach the broker.
    """

    def __init__(self, actuators: Mapping[str, Actuator], link: Link) -> None:
        self._actuators = actuators
        self._link = link
        self._under_way: dict[str, asyncio.Task[None]] = {}
        self._newest = (0, 0)  # epoch and number of the newest command
        self.confirmed: Counter[str] = Counter()
        self.failed: Counter[str] = Counter()
        self.last_failure: dict[str, str] = {}
        self.unheard: set[str] = set()

    @property
    def under_way(self) -> frozenset[str]:
        """The tags whose newest command nobody has acknowledged yet."""
        return frozenset(self._under_way)

    def begin(self, epoch: int, number: int) -> None:
        """Say where the numbers of this start begin, for an "off" that comes before the first command."""
        self._newest = (epoch, number)

    def change(self, actuators: Mapping[str, Actuator]) -> None:
        """Go on with these actuators. Of those that stay as they are, what has become of their commands still counts;
        of the others nothing does, and what is under way to them is given up."""
        for tag in [tag for tag, actuator in self._actuators.items() if actuators.get(tag) != actuator]:
            if older := self._under_way.pop(tag, None):
                older.cancel()
            self.last_failure.pop(tag, None)
            self.unheard.discard(tag)
        self._actuators = actuators

    def send(self, commands: Sequence[Command]) -> None:
        """Start to send each command; the outcome is in the counters. Needs a running event loop.

        Raises:
            KeyError: a command for an output that the site file does not have.
        """
        self._begin(commands, expire=True)

    def _begin(self, commands: Sequence[Command], expire: bool) -> None:
        for command in commands:
            actuator = self._actuators[command.tag]
            self._newest = max(self._newest, (command.epoch, command.number))
            if older := self._under_way.pop(command.tag, None):
                older.cancel()
            if not self._link.connected:
                self._note_failure(command.tag, "not connected to the broker", heard=False)
                continue
            delivery = self._deliver(actuator, command, command.lifetime_s if expire else None)
            task = asyncio.create_task(delivery, name=f"command {command.tag}")
            self._under_way[command.tag] = task
            task.add_done_callback(partial(self._forget, command.tag))

    async def all_off(self, tags: Iterable[str], timeout_s: float = 2.0) -> set[str]:
        """Command every output of `tags` off, coolers and heaters alike, and wait at most `timeout_s`. These leave in
        any case and do not expire: if the broker hangs, the devices get them when it goes on.

        Returns:
            The tags whose "off" the broker has acknowledged; the others end by the devices' own means.
        """
        epoch, number = self._newest
        commands = [
            Command(tag, False, OFF_LIFETIME_S, "the service stops", number + place, epoch)
            for place, tag in enumerate(tags, start=1)
        ]
        self._begin(commands, expire=False)
        tasks = {command.tag: self._under_way.get(command.tag) for command in commands}
        waiting = {task for task in tasks.values() if task}
        if waiting:
            await asyncio.wait(waiting, timeout=timeout_s)
        return {tag for tag, task in tasks.items() if task and task.done() and tag not in self.last_failure}

    async def _deliver(self, actuator: Actuator, command: Command, expiry_s: float | None) -> None:
        payload = command_payload(actuator, command)
        try:
            heard = await self._link.publish(actuator.topic, payload, qos=1, retain=False, expiry_s=expiry_s)
        except LinkDown as error:
            self._note_failure(command.tag, str(error), heard=False)
            return
        if not heard:
            self._note_failure(command.tag, f"no device listens to {actuator.topic}", heard=True)
            return
        self.confirmed[command.tag] += 1
        self.last_failure.pop(command.tag, None)
        self.unheard.discard(command.tag)

    def _note_failure(self, tag: str, cause: str, heard: bool) -> None:
        self.failed[tag] += 1
        self.last_failure[tag] = cause
        if heard:
            self.unheard.discard(tag)
        else:
            self.unheard.add(tag)

    def _forget(self, tag: str, done: asyncio.Task[None]) -> None:
        if self._under_way.get(tag) is done:
            del self._under_way[tag]
        if not done.cancelled():
            done.result()  # anything but LinkDown is a bug: it reaches the loop's exception handler


def command_payload(actuator: Actuator, command: Command) -> bytes:
    """What the device gets: JSON with lifetime, number and epoch for nodes of our own, else its on or off payload."""
    if not actuator.node:
        return (actuator.on_payload if command.on else actuator.off_payload).encode()
    order = {"on": command.on, "lifetime_s": command.lifetime_s, "number": command.number, "epoch": command.epoch}
    return json.dumps(order, separators=(",", ":")).encode()
