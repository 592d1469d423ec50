"""The two ends of the demo's time: the simulated cellar publishes its time with its readings and waits for
the service's scan; the service's clock is the time that the cellar publishes.

    plant/probes     {"t": seconds, "<probe tag>": °C, ...}    the cellar, once for each scan
    plant/scanned    seconds                                    the clock, when the scan for that time is over
"""

import asyncio
import json
import logging
from collections.abc import Callable, Mapping
from time import monotonic

import aiomqtt

from controller.control.values import Action, Command
from controller.field.link import Link
from controller.field.own_topics import ROOT
from controller.field.session import SteadyClient, socket_options
from controller.installation import Broker, Installation
from controller.plant.brewer import Brewer, Plan
from controller.plant.cellar import Cellar, demo_cellar
from controller.plant.demo import DEMO_BEERS

PROBES, SCANNED = "plant/probes", "plant/scanned"
READINGS_LATE_S = 0.2  # real time after which a scan does without them
PATIENCE_S = 30.0  # real time after which a silent partner counts as gone
HOUR_S = 3600.0
FIRST_UTC_S = 1_790_316_000.0  # 2026-09-25T06:00:00Z: the label of the demo's first moment
LIBRARY_LOG = logging.getLogger(f"{__name__}.library")

DEMO_PLANS = (
    Plan("amber", "Amber No. 7", "clean-ale", DEMO_BEERS["amber"], HOUR_S),
    Plan("gold", "Gold No. 12", "quick-lager", DEMO_BEERS["gold"], 5 * HOUR_S),
    Plan("dark", "Dark No. 3", "strong-ale", DEMO_BEERS["dark"], 26 * HOUR_S),
)


def _client(broker: Broker, name: str) -> aiomqtt.Client:
    return SteadyClient(
        broker.host,
        broker.port,
        username=broker.user,
        password=broker.password,
        identifier=f"{broker.client_id}-{name}",
        protocol=aiomqtt.ProtocolVersion.V5,
        clean_start=True,
        timeout=PATIENCE_S,
        keepalive=60,
        max_inflight_messages=0,
        socket_options=socket_options(),
        logger=LIBRARY_LOG,
    )


class PlantClock:
    """The cellar's time as the service's clock. `run` listens; `next_scan` says that a scan is over and waits
    for the cellar's next moment, and until the service has the readings of that moment too: `received` counts
    the messages that it has got (they come by another connection)."""

    def __init__(self, broker: Broker) -> None:
        self._broker = broker
        self.received: Callable[[], int] = lambda: 0
        self._received_before = 0
        self._client: aiomqtt.Client | None = None
        self._heard_s = self._scanned_s = 0.0
        self._moved = asyncio.Event()

    def now_s(self) -> float:
        """Seconds of the cellar."""
        return self._heard_s

    def utc_s(self) -> float | None:
        """A label that goes with the cellar's time."""
        return FIRST_UTC_S + self._heard_s

    async def next_scan(self, period_s: float) -> None:
        """Tell the cellar that its moment has been dealt with, and wait for the next."""
        await asyncio.sleep(0)  # the commands of the last scan leave first
        if self._client is not None and self._heard_s > 0.0:
            await self._client.publish(SCANNED, str(self._heard_s), qos=0)
        while self._heard_s <= self._scanned_s:
            self._moved.clear()
            await self._moved.wait()
        self._scanned_s = self._heard_s
        late_at = monotonic() + READINGS_LATE_S
        while self.received() == self._received_before and monotonic() < late_at:
            await asyncio.sleep(0)
        self._received_before = self.received()

    def scan_soon(self) -> None:
        """Nothing: the cellar says when the next moment is."""

    async def run(self) -> None:
        """Listen to the cellar's time until cancelled."""
        async with _client(self._broker, "clock") as client:
            await client.subscribe(PROBES, qos=0)
            self._client = client
            async for message in client.messages:
                self._heard_s = float(json.loads(_text(message))["t"])
                self._moved.set()


class DemoCellar:
    """The simulated cellar and its brewer as MQTT clients: readings out, commands in, one moment a scan."""

    def __init__(self, installation: Installation, duration_s: float, speed: float | None) -> None:
        self._broker = installation.broker
        self._site = installation.site.name
        self._scan_s = installation.site.scan_s
        self._duration_s, self._speed = duration_s, speed
        self._tags = {actuator.topic: tag for tag, actuator in installation.actuators.items()}
        self.cellar: Cellar = demo_cellar()
        self.brewer = Brewer(self.cellar, DEMO_PLANS)
        self._seen: dict[str, Mapping[str, object]] = {}
        self._scanned = asyncio.Event()

    async def play(self, service: Link, stop: asyncio.Event) -> None:
        """Live through the duration, once the service is connected; then set `stop` and obey until cancelled."""
        while not service.connected:
            await asyncio.sleep(0.01)
        async with _client(self._broker, "cellar") as client:
            await client.subscribe([(topic, 1) for topic in (*self._tags, SCANNED, f"{ROOT}/{self._site}/+/state")])
            listening = asyncio.create_task(self._listen(client))
            living = asyncio.create_task(self._live(client, stop))
            try:
                await asyncio.wait((living, listening), return_when=asyncio.FIRST_COMPLETED)
                if living.done():
                    living.result()
                    stop.set()
                await listening
            finally:
                living.cancel()
                listening.cancel()

    async def _live(self, client: aiomqtt.Client, stop: asyncio.Event) -> None:
        began = monotonic()
        while self.cellar.now_s < self._duration_s and not stop.is_set():
            self.cellar.advance(self._scan_s)
            now_s = self.cellar.now_s
            if self._speed is not None:
                await asyncio.sleep(max(0.0, began + now_s / self._speed - monotonic()))
            for action in self.brewer.acts(now_s, self._seen):
                await client.publish(f"{ROOT}/{self._site}/{action.vessel}/set", _wish(action), qos=1)
            probes = {tag: reading.celsius for tag, reading in self.cellar.readings().items()}
            self._scanned.clear()
            await client.publish(PROBES, json.dumps({"t": now_s, **probes}), qos=0)
            await self._scanned.wait()

    async def _listen(self, client: aiomqtt.Client) -> None:
        async for message in client.messages:
            topic = message.topic.value
            if topic == SCANNED:
                self._scanned.set()
            elif tag := self._tags.get(topic):
                order = json.loads(_text(message))
                command = Command(tag, order["on"], order["lifetime_s"], "", int(order["number"]), int(order["epoch"]))
                self.cellar.obey([command])
            else:
                self._seen[topic.split("/")[2]] = json.loads(_text(message))


def _text(message: aiomqtt.Message) -> str:
    return bytes(message.payload).decode() if isinstance(message.payload, bytes | bytearray) else str(message.payload)


def _wish(action: Action) -> str:
    return json.dumps({"id": action.id, "do": action.verb, **action.arguments})
