"""A hundred thousand hostile or broken messages at a running daemon: nothing moves, each one is counted.

    python -m tests.bench.hostile_messages [--messages 100000] [--seed N]

Asked for: no crash, no output changed, flat memory, every message refused and counted (or counted as pushed out by
newer ones). Needs mosquitto. `cellarhand run` cools one vessel and gets good readings all the while; the rubbish comes
on every topic that it listens to, with and without an answer wanted, at QoS 0, 1 and 2, and retained before its start.
"""

import argparse
import json
import random
import socket
import string
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from tests.bench.run_footprint import resident_mb
from tests.runtime.daemons import CONE_COOLER, OUTPUTS, Cellar, Daemon, example_site, until
from tests.servers import PASSWORD, USER, mosquitto

NAMES = ("cone-120", "keg-50", "pilot-20", "bath")
READINGS = tuple(f"cellar/probes/{name}" for name in NAMES)
VESSELS = (*NAMES[:3], "bath", "nobody", "é", "a b", "$", "v" * 300)
MOST_GROWTH_MB = 8.0  # queues of bounded length fill; a leak of 100 bytes for each message would be 10 MB
WARM_UP = 4000  # messages before memory is first looked at: the interpreter's own caches fill
PATIENCE_S = 60.0
STANDSTILL_S = 10.0  # without another message counted: the rest is lost
UNLIMITED = "max_queued_messages 0\n"  # the broker must not drop any of them by itself


class Rubbish(NamedTuple):
    """One message. `reply_to` is an MQTT 5 response topic."""

    topic: str
    payload: bytes
    qos: int
    reply_to: str | None = None


def document(chance: random.Random) -> bytes:
    """A payload in which no reading and no action can be found, of one of many kinds."""
    kinds: tuple[Callable[[], bytes | str], ...] = (
        lambda: chance.randbytes(chance.randrange(1, 200)),
        lambda: b"",
        lambda: b"\xed\xa0\x80",  # a lone surrogate as UTF-8 must not have it (RFC 3629, section 3)
        lambda: '"\\ud800"',
        lambda: "[" * chance.choice((10, 1000, 10_000)),
        lambda: '{"t":' * chance.choice((10, 5000)),
        lambda: "[" * 500 + "]" * 500,
        lambda: '{"t": "a", "t": "b"}',
        lambda: json.dumps({"t": chance.choice((None, True, [], {}, "warm", "19,5", "19.5 C", "\x00\x1b[2J"))}),
        lambda: '{"t": ' + chance.choice(("NaN", "Infinity", "-Infinity", "1e400", "-1e308", "1" * 5000)) + "}",
        lambda: json.dumps({"t": 10 ** chance.randrange(4, 300)}),
        lambda: json.dumps({chance.choice(("+", "#", "/", "", "\x00", "T")): 19.5}),
        lambda: json.dumps("".join(chance.choices(string.printable, k=100))),
        lambda: "19,5",
        lambda: "0x13",
        lambda: "nan",
        lambda: "1" * 5000,
    )
    large: tuple[Callable[[], bytes | str], ...] = (
        lambda: "x" * 70_000,
        lambda: "[" * 60_000,
        lambda: json.dumps({f"k{n}": n for n in range(2000)}),
    )
    found = chance.choice(large if chance.random() < 0.02 else kinds)()
    return found if isinstance(found, bytes) else found.encode()


def action(chance: random.Random) -> bytes:
    """An action that is refused before it is looked at more closely."""
    kinds: tuple[Callable[[], object], ...] = (
        lambda: {"id": "", "do": "off"},
        lambda: {"id": "x" * 65, "do": "off"},
        lambda: {"id": "\x1b[2J", "do": "off"},
        lambda: {"id": chance.choice((1, None, True, [], {})), "do": "start"},
        lambda: {"id": "1", "do": chance.choice((1, None, "", "v" * 201, ["start"]))},
        lambda: {"id": "1", "do": "start", "expects": 5},
        lambda: {"id": "1", "do": "start", "setpoint": [8.0]},
        lambda: {"id": "1", "do": "start", "setpoint": None},
        lambda: {"id": "1", "do": "start", "batch": "b" * 201},
        lambda: {"id": "1", "do": "start", **{f"k{n}": n for n in range(17)}},
        lambda: {"id": "1", "do": "start", "batch": "b" * 5000},
    )
    if chance.random() < 0.5:
        return document(chance)
    if chance.random() < 0.2:
        return b'{"id": "1", "id": "2", "do": "start", "setpoint": NaN}'
    return json.dumps(chance.choice(kinds)()).encode()


def rubbish(chance: random.Random) -> Rubbish:
    """One hostile or broken message."""
    qos = chance.choices((0, 1, 2), (8, 2, 1))[0]
    if chance.random() < 0.6:
        return Rubbish(chance.choice(READINGS), document(chance), qos)
    vessel = chance.choice(VESSELS)
    reply_to = chance.choice((*[None] * 8, *OUTPUTS, f"cellarhand/cellar/{vessel}/reply/me", "x" * 300, "$SYS/x"))
    return Rubbish(f"cellarhand/cellar/{vessel}/set", action(chance), qos, reply_to)


class QuietCellar(Cellar):
    """The cellar with one topic for each probe, so that one message is one value."""

    def _report(self) -> None:
        while not self._over.wait(0.5):
            for name, topic in zip(NAMES, READINGS, strict=True):
                self.client.publish(topic, json.dumps({"t": self.worts[name]}))
            self.client.publish("cellar/room", '{"temperature": 68.0}')


def _without_delay(client: paho.Client, data: object, sock: object) -> None:
    assert isinstance(sock, socket.socket)
    sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)


class Vandal:
    """A client with a valid password and bad intentions."""

    def __init__(self, port: int) -> None:
        self.client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
        self.client.username_pw_set(USER, PASSWORD)
        self.client.max_inflight_messages_set(20)
        self.client.on_socket_open = _without_delay
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()

    def send(self, message: Rubbish, retain: bool = False) -> paho.MQTTMessageInfo:
        """Publish it, without waiting."""
        properties = None
        if message.reply_to is not None:
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
            properties.ResponseTopic = message.reply_to
            properties.CorrelationData = message.payload[:50]
        return self.client.publish(message.topic, message.payload, message.qos, retain, properties)

    def send_all(self, messages: list[Rubbish]) -> None:
        """Publish them as fast as the broker takes them."""
        for number, message in enumerate(messages):
            sent = self.send(message)
            if number % 500 == 499:  # not all of them in this program's memory at once
                self.client.publish("nobody", b"", 1).wait_for_publish(PATIENCE_S)
                sent.wait_for_publish(PATIENCE_S)
        self.client.publish("nobody", b"", 1).wait_for_publish(PATIENCE_S)


def counted(daemon: Daemon) -> tuple[int, int]:
    """How many values and actions the daemon says it has refused, and how many messages newer ones pushed out."""
    metrics = daemon.metrics()
    refused = sum(int(value) for name, value in metrics.items() if "cellarhand_messages_refused_total{" in name)
    return refused, int(metrics["cellarhand_mqtt_messages_dropped_total"])


def flood(daemon: Daemon, vandal: Vandal, messages: list[Rubbish]) -> float:
    """Send all and wait until all are counted, or the count stands still; the seconds it took."""
    before = last = sum(counted(daemon))
    began_s = time.monotonic()
    vandal.send_all(messages)
    moved_s = time.monotonic()
    while last - before < len(messages) and time.monotonic() - moved_s < STANDSTILL_S:
        time.sleep(0.3)
        if (now := sum(counted(daemon))) != last:
            last, moved_s = now, time.monotonic()
    return time.monotonic() - began_s


def one_topic_each() -> list[tuple[str, str]]:
    """Changes of the example site: every probe on its own topic."""
    return [
        (f"topic: cellar/probes\n{indent}pointer: /{name}\n", f"topic: {topic}\n{indent}pointer: /t\n")
        for name, topic in zip(NAMES, READINGS, strict=True)
        for indent in [" " * (6 if name == "bath" else 8)]
    ]


def attack(folder: Path, messages: int, chance: random.Random) -> list[str]:
    """Run it all and print what happened; what must not be is returned."""
    faults = []
    kinds = [rubbish(chance) for _ in range(4000)]
    with mosquitto(folder, UNLIMITED) as server, QuietCellar(folder, server.port) as cellar:
        vandal = Vandal(server.port)
        for topic in (*READINGS, "cellarhand/cellar/cone-120/set"):
            vandal.send(Rubbish(topic, b'{"t": 25.0, "id": "1", "do": "off"}', 1), retain=True).wait_for_publish(10)
        with Daemon(example_site(folder, server.port, *one_topic_each())) as daemon:
            until(lambda: daemon.process.poll() is not None or daemon.healthz() == 200, "the daemon")
            if counted(daemon) != (5, 0):
                faults.append(f"5 retained messages, counted as refused: {counted(daemon)[0]}")
            daemon.say("start", "cone-120", "--batch", "Water", "--setpoint", "8 C")
            until(lambda: cellar.is_on(CONE_COOLER), "the cooler's on")
            flood(daemon, vandal, chance.choices(kinds, k=WARM_UP))
            heard, (refused, dropped) = len(cellar.heard), counted(daemon)
            before_mb = resident_mb(daemon.process.pid)
            took_s = flood(daemon, vandal, chance.choices(kinds, k=messages))
            after_mb = resident_mb(daemon.process.pid)
            refused, dropped = (now - then for now, then in zip(counted(daemon), (refused, dropped), strict=True))
            print(f"{messages} messages in {took_s:.1f} s: {messages / took_s:.0f} a second")
            print(f"refused and counted {refused}, pushed out by newer ones and counted {dropped}")
            print(f"resident {before_mb:.1f} MB before, {after_mb:.1f} MB after (asked for: flat)")
            if refused + dropped != messages:
                faults.append(f"{messages} messages were sent, {refused + dropped} counted")
            if after_mb - before_mb > MOST_GROWTH_MB:
                faults.append(f"memory grew by {after_mb - before_mb:.1f} MB")
            orders = {topic: set(cellar.orders(topic)[-1:]) for topic in OUTPUTS}
            later = [(message.topic, message.payload) for message in cellar.heard[heard:] if message.topic in OUTPUTS]
            changed = [order for order in later if order != (CONE_COOLER, b"ON")]
            print(f"{len(later)} commands meanwhile, all of them renewals of the one cooler that is on: {not changed}")
            if changed or orders[CONE_COOLER] != {True}:
                faults.append(f"outputs changed: {changed}")
            if daemon.end() != 0 or "Traceback" in daemon.log():
                faults.append(f"the daemon did not end well: {daemon.log()[-2000:]}")
            print(f"the daemon wrote {len(daemon.log().splitlines())} lines to its log")
        vandal.client.disconnect()
        vandal.client.loop_stop()
    return faults


def main() -> int:
    """Run, print, and return 1 if a limit is missed."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--messages", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=random.randrange(1_000_000))
    asked = parser.parse_args()
    print(f"seed {asked.seed}")
    with tempfile.TemporaryDirectory() as name:
        faults = attack(Path(name), asked.messages, random.Random(asked.seed))
    for fault in faults:
        print(fault)
    return int(bool(faults))


if __name__ == "__main__":
    sys.exit(main())
