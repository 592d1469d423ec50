"""What the rest of the service knows of a connection to the field, so that another transport can stand in its place."""

from typing import NamedTuple, Protocol


class Arrived(NamedTuple):
    """One message from the broker. `reply_to` and `correlation` are MQTT 5 properties, None where not given."""

    topic: str
    payload: bytes
    retained: bool
    reply_to: str | None = None
    correlation: bytes | None = None


class LinkDown(Exception):
    """A message did not reach the broker, or the broker refused it. The text says why, in the brewer's words."""


class Link(Protocol):
    """A connection on which messages leave: `mqtt.MqttLink`, or one in memory where time is virtual."""

    @property
    def connected(self) -> bool:
        """Whether a message could leave now."""

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
        """Hand one message over; with `qos` 1 wait for the acknowledgement. False if nobody listens to the topic,
        as far as the broker tells. A message with an expiry leaves only if the broker answers at this moment. Raises
        LinkDown, at once when not connected."""
