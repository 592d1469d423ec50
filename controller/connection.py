"""The daemon's one connection to the broker, all its life: its user, certificate and topics may change meanwhile."""

import asyncio
from collections.abc import Callable, Sequence

from controller.field.link import Arrived
from controller.field.mqtt import MqttLink
from controller.installation import Broker

GOODBYE_WITHIN_S = 3.0


class Connection:
    """A `field.link.Link` that is kept up by `run` and can be made anew with `renew`.

    Attributes are those of the link that is in use; the counts go on over all of them since the start. What the
    callbacks are for, the link says.
    """

    def __init__(
        self,
        broker: Broker,
        site: str,
        topics: Sequence[str],
        on_message: Callable[[Arrived], None],
        on_connected: Callable[[], object] = lambda: None,
    ) -> None:
        self._site, self._on_message, self._on_connected = site, on_message, on_connected
        self._link = MqttLink(broker, site, topics, on_message, on_connected)
        self._next: MqttLink | None = None
        self._renewed = asyncio.Event()
        self._sessions = self._dropped = self._publish_failures = 0  # of earlier links

    @property
    def connected(self) -> bool:
        """Whether a message could leave now."""
        return self._link.connected

    @property
    def taken_over(self) -> bool:
        """Whether another daemon has claimed the site: for good, then no message leaves any more."""
        return self._link.taken_over

    @property
    def trouble(self) -> str:
        """Why there is no connection, "" while there is one."""
        return self._link.trouble

    @property
    def sessions(self) -> int:
        """How many connections there have been; when it has risen, own state must be published again."""
        return self._sessions + self._link.sessions

    @property
    def dropped(self) -> int:
        """How many messages were pushed out by newer ones before they were looked at."""
        return self._dropped + self._link.dropped

    @property
    def publish_failures(self) -> int:
        """How many messages did not get through."""
        return self._publish_failures + self._link.publish_failures

    async def publish(
        self,
        topic: str,
        payload: bytes,
        *,
        qos: int,
        retain: bool,
        expiry_s: float | None = None,
        correlation: bytes | None = None,
    ) -> bool:
        """As `field.link.Link.publish`."""
        return await self._link.publish(
            topic, payload, qos=qos, retain=retain, expiry_s=expiry_s, correlation=correlation
        )

    def renew(self, broker: Broker, topics: Sequence[str]) -> None:
        """Say goodbye, then connect anew as `broker` says, for these topics. Returns at once."""
        self._next = MqttLink(broker, self._site, topics, self._on_message, self._on_connected)
        self._renewed.set()

    async def run(self) -> None:
        """Keep the connection up until cancelled; then say "offline" and disconnect."""
        while True:
            living = asyncio.create_task(self._link.run(), name="mqtt")
            renewed = asyncio.create_task(self._renewed.wait())
            try:
                await asyncio.wait((living, renewed), return_when=asyncio.FIRST_COMPLETED)
                if living.done():
                    living.result()
                    raise RuntimeError("the connection ended by itself")
            finally:
                renewed.cancel()
                while not living.done():  # a connection that is just being made may forget that it was cancelled
                    living.cancel()
                    await asyncio.wait((living,), timeout=GOODBYE_WITHIN_S)
            self._change_over()

    def _change_over(self) -> None:
        self._renewed.clear()
        if self._next is not None:
            self._sessions += self._link.sessions
            self._dropped += self._link.dropped
            self._publish_failures += self._link.publish_failures
            self._link, self._next = self._next, None
