"""The life of the connection to the broker: connect, subscribe, say who is there, listen; after a loss, again.

Nothing is expected of the broker across a loss: clean sessions, a new `Session` for each attempt, exact topics
subscribed inside each connect. Nothing is queued while there is no connection.

Two daemons on one site (design rule 10) find each other by a retained claim: each start writes its own token to
the site's `driver` topic, and who sees another's token afterwards, live or at a reconnect, has been taken over. MQTT 5
has a reason code for the commoner case, the same client id, but not every broker sends it (mosquitto 2.0.11 does not):
then the first comes back once, which cuts the second off for part of a second, before it sees the claim.
"""

import asyncio
import logging
import random
import uuid
from collections.abc import Callable, Sequence

import aiomqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.reasoncodes import ReasonCode

from controller.field.causes import (
    NO_MATCHING_SUBSCRIBERS,
    REFUSALS,
    REFUSED_FROM,
    TAKEN_OVER,
    UNSUPPORTED_VERSION,
    explain,
    reason_code,
)
from controller.field.link import Arrived, LinkDown
from controller.field.own_topics import OFFLINE, ONLINE, availability_topic, driver_topic, driving, is_claim
from controller.field.session import CLOSED, Session, drop_oldest_queue, message_properties
from controller.installation import Broker

LOG = logging.getLogger(__name__)
LIBRARY_LOG = LOG.getChild("library")
LIBRARY_LOG.setLevel(logging.CRITICAL)  # what it has to say is said here, once, and in the brewer's words

SHORTEST_PAUSE_S = 0.2
LONGEST_PAUSE_S = 1.0  # with a time-out before it and a scan after it, control goes on within 5 s of the broker
REFUSED_PAUSE_S = 5.0  # what a person has to mend can wait longer
GOODBYE_S = 0.5  # for each of its two parts
DROPS_BEFORE_OLDER_VERSION = 2


def longest_pause_s(failures: int, refused: bool = False) -> float:
    """Upper end of the random pause after so many failed attempts in a row: doubles from 0.4 s to 1 s, or to 5 s
    where the broker has refused us."""
    longest_s = REFUSED_PAUSE_S if refused else LONGEST_PAUSE_S
    return float(min(longest_s, SHORTEST_PAUSE_S * 2.0 ** min(failures, 10)))


class MqttLink:
    """The connection of one daemon. `run` keeps it up; `publish` uses it.

    `on_message` is called for every message and must only put it away. `taken_over` turns true, for good, when
    another daemon has claimed the site or our client id. Then no message leaves any more and the link stays
    away. `sessions` counts connections; when it has risen, own state must be published again.
    `dropped` counts messages that newer ones pushed out, `publish_failures` messages that did not get through.
    `trouble` says why there is no connection, "" while there is one. `on_connected` is called at each new connection.
    """

    def __init__(
        self,
        broker: Broker,
        site: str,
        topics: Sequence[str],
        on_message: Callable[[Arrived], None],
        on_connected: Callable[[], object] = lambda: None,
    ) -> None:
        self._broker = broker
        self._availability = availability_topic(site)
        self._driver = driver_topic(site)
        self._topics = (*topics, self._driver, self._availability)
        self._token = uuid.uuid4().hex
        self._on_message, self._on_connected = on_message, on_connected
        self._session: Session | None = None
        self._drops = 0  # of MQTT 5 attempts, in a row
        self._older_version = False
        self.taken_over = False
        self.sessions = 0
        self.dropped = 0
        self.publish_failures = 0
        self.trouble = "not yet connected"

    @property
    def connected(self) -> bool:
        """Whether a message could leave now: connected, subscribed and announced."""
        return self._session is not None

    async def run(self) -> None:
        """Keep the connection up until cancelled; then say "offline" and disconnect. Once `taken_over`, stay away."""
        failures = 0
        while not self.taken_over:
            before = self.sessions
            error = await self._one_session()
            failures = 1 if self.sessions > before else failures + 1
            self.taken_over = reason_code(error) == TAKEN_OVER
            self._report(explain(error, self._broker), logging.ERROR if self.taken_over else logging.WARNING)
            if not self.taken_over:
                refused = reason_code(error) in REFUSALS
                await asyncio.sleep(random.uniform(SHORTEST_PAUSE_S, longest_pause_s(failures, refused)))
        await asyncio.Event().wait()

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
        """Publish now or not at all; with `qos` 1 wait for the acknowledgement: 3 s for earlier messages, 3 s for this.
        What has an expiry leaves only if the broker answers at this moment, for which it may wait another 3 s.

        Returns:
            False if the broker says that nobody is subscribed to the topic (MQTT 5, QoS 1); else True.

        Raises:
            LinkDown: not connected, connection lost meanwhile, not acknowledged in time, refused by the broker.
        """
        session = self._session
        if session is None:
            self.publish_failures += 1
            raise LinkDown(self.trouble)
        properties = message_properties(expiry_s, correlation) if session.is_v5 else None
        try:
            code = await session.deliver(topic, payload, qos, retain, properties, now=expiry_s is not None)
        except aiomqtt.MqttError as error:
            self.publish_failures += 1
            raise LinkDown(f"the broker did not acknowledge the message: {error}") from error
        if code >= REFUSED_FROM:
            self.publish_failures += 1
            raise LinkDown(f"the broker refused a message to {topic} (reason code {code:#04x}): check its access list")
        return code != NO_MATCHING_SUBSCRIBERS

    async def _one_session(self) -> BaseException:
        """Connect and listen until the connection is lost or was never made; returns the cause."""
        version = aiomqtt.ProtocolVersion.V311 if self._older_version else aiomqtt.ProtocolVersion.V5
        queue_type = drop_oldest_queue(self._count_drop)
        question = (self._driver, f"asking {self._token}".encode())
        session = Session(self._broker, version, self._availability, question, queue_type, LIBRARY_LOG)
        welcome = False
        try:
            async with session:
                welcome = True
                try:
                    await self._greet(session)
                    await self._listen(session)
                except asyncio.CancelledError:
                    session.timeout = GOODBYE_S
                    raise
        except aiomqtt.MqttError as error:
            if (task := asyncio.current_task()) and task.cancelling():  # the library forgets it if the goodbye fails
                raise asyncio.CancelledError from error
            if not welcome:
                self._choose_version(session, error)
            return session.loss or error
        finally:
            self._session = None
            session.abandon()
        return aiomqtt.MqttError("the broker closed the connection")

    async def _greet(self, session: Session) -> None:
        codes = await session.subscribe([(topic, 1) for topic in self._topics])
        for topic, code in zip(self._topics, codes, strict=True):
            if _number(code) >= REFUSED_FROM:
                LOG.error("the broker does not let us read %s: check its access list", topic)
        await self._look_for_another_driver(session)
        await session.deliver(self._driver, driving(self._token), 1, True, None)
        await session.deliver(self._availability, ONLINE, 1, True, None)
        self._session = session
        self.sessions += 1
        self._drops = 0
        self._older_version = False  # the next connect asks for MQTT 5 again: an upgraded broker is noticed
        self.trouble = ""
        version = "5" if session.is_v5 else "3.1.1, which cannot let commands expire"
        LOG.info("connected to the broker %s:%d with MQTT %s", self._broker.host, self._broker.port, version)
        self._on_connected()

    async def _look_for_another_driver(self, session: Session) -> None:
        """Return once a claim that the broker kept would have arrived: a message of our own on the same topic
        comes after it. At the first connect another's claim is an earlier daemon's, which we take over from."""
        mark = f"looking {self._token}".encode()
        claimed = online = False
        await session.deliver(self._driver, mark, 1, False, None)
        try:
            async with asyncio.timeout(session.timeout):
                async for message in session.messages:
                    if message.topic.value == self._driver and message.payload == mark:
                        break
                    online = online or (message.topic.value == self._availability and message.payload == ONLINE)
                    claimed = claimed or (message.topic.value == self._driver and self._is_anothers(message))
                    if self.sessions or message.topic.value != self._driver:
                        self._take(message)
        except TimeoutError:
            LOG.warning("the broker does not let us read %s: a second daemon would go unnoticed", self._driver)
        if claimed and online:
            LOG.warning("another daemon drove this site until a moment ago: this one takes over; stop the other one")

    def _is_anothers(self, message: aiomqtt.Message) -> bool:
        payload = bytes(message.payload)
        return is_claim(payload) and payload != driving(self._token)

    def _take(self, message: aiomqtt.Message) -> None:
        topic = message.topic.value
        if topic == self._driver:
            # In our first session a claim that was kept is an earlier daemon's, however late a slow broker gives it.
            late = message.retain and self.sessions == 1 and self.connected
            if self._is_anothers(message) and not late:
                raise aiomqtt.MqttCodeError(ReasonCode(PacketTypes.DISCONNECT, identifier=TAKEN_OVER))
        elif topic != self._availability:
            self._on_message(_arrived(message))

    async def _listen(self, session: Session) -> None:
        try:
            async for message in session.arrivals():
                self._take(message)
        except asyncio.CancelledError:
            self._session = None
            try:
                # Not asyncio.timeout(): in a cancelled task, Python 3.11.2 lets it end in a cancellation.
                await asyncio.wait_for(session.deliver(self._availability, OFFLINE, 1, True, None), GOODBYE_S)
            except (aiomqtt.MqttError, TimeoutError) as error:
                LOG.warning("could not say goodbye to the broker: %s", str(error) or "it does not answer")
            raise

    def _choose_version(self, session: Session, error: aiomqtt.MqttError) -> None:
        """Brokers that only speak 3.1.1 refuse MQTT 5 with a code, or close the connection without a word. A
        broker that is just stopping does the latter too, hence only the second time."""
        if not session.is_v5:
            self._older_version = False
            return
        code = reason_code(error)
        self._drops = self._drops + 1 if str(error) == CLOSED else 0
        self._older_version = code == UNSUPPORTED_VERSION or self._drops >= DROPS_BEFORE_OLDER_VERSION

    def _count_drop(self) -> None:
        self.dropped += 1

    def _report(self, cause: str, level: int) -> None:
        """Log a cause once, not at every attempt."""
        if cause != self.trouble:
            LOG.log(level, "%s", cause)
        self.trouble = cause


def _number(code: object) -> int:
    """A subscription's answer as a number, in either of the library's two forms."""
    return int(code.value) if isinstance(code, ReasonCode) else int(str(code))


def _arrived(message: aiomqtt.Message) -> Arrived:
    properties = message.properties
    return Arrived(
        message.topic.value,
        bytes(message.payload),
        message.retain,
        getattr(properties, "ResponseTopic", None),
        getattr(properties, "CorrelationData", None),
    )
