"""The example site with quick scans, its devices on a real broker, and daemons as `cellarhand run` starts them."""

import json
import os
import signal
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import NamedTuple

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.properties import Properties

from tests.runtime.manager import Manager
from tests.servers import PASSWORD, USER, free_port

PATIENCE_S = 60.0  # until something counts as failed; not an expectation
ROOT = Path(__file__).parents[2]
EXAMPLE = ROOT / "deploy" / "example-site.yaml"
PROBES, ROOM = "cellar/probes", "cellar/room"
CONE_COOLER, CONE_HEATER, KEG_COOLER = (f"cellar/relay{number}/set" for number in (1, 2, 3))
NODE_COOLER, NODE_HEATER = "cellar/node1/cooler", "cellar/node1/heater"
OUTPUTS = (CONE_COOLER, CONE_HEATER, KEG_COOLER, NODE_COOLER, NODE_HEATER)
WORTS = {"cone-120": 18.0, "keg-50": 18.0, "pilot-20": 18.0, "bath": -3.0}


def until(condition: Callable[[], object], what: str = "") -> None:
    """Wait until the condition is true; fail if it never becomes so."""
    give_up = time.monotonic() + PATIENCE_S
    while not condition():
        assert time.monotonic() < give_up, f"waited in vain for {what or condition}"
        time.sleep(0.02)


def example_site(folder: Path, port: int, *changes: tuple[str, str]) -> Path:
    """The example site file on the test's broker, scanned every second; what protects real pumps is short here."""
    secret = folder / "broker-password"
    secret.write_text(PASSWORD)
    secret.chmod(0o600)
    text = EXAMPLE.read_text()
    for old, new in (
        ("port: 1883", f"port: {port}\n  user: {USER}\n  password_file: broker-password"),
        ("port: 8080", f"port: {free_port()}"),
        ("scan: 5 s ", "scan: 1 s "),
        ("shortest_on: 60 s", "shortest_on: 5 s"),
        ("shortest_off: 3 min", "shortest_off: 5 s"),
        ("power: 300 W", "power: 300 W\n      shortest_off: 5 s"),
        ("power: 150 W\n      ends", "power: 150 W\n      shortest_off: 5 s\n      ends"),
        ("power: 150 W\n    heater", "power: 150 W\n      shortest_off: 5 s\n    heater"),
        ("power: 40 W", "power: 40 W\n      shortest_off: 5 s"),
        *changes,
    ):
        assert text.count(old) == 1, f"{old!r} must occur once"
        text = text.replace(old, new)
    path = folder / "site.yaml"
    path.write_text(text)
    return path


class Heard(NamedTuple):
    """A message as a device hears it, with the MQTT 5 properties that answers carry."""

    topic: str
    payload: bytes
    retained: bool
    correlation: bytes | None


class Cellar:
    """Probes that report every 0.2 s what `worts` says, and relays that only listen: `heard` grows."""

    def __init__(self, folder: Path, port: int) -> None:
        self.folder, self.port = folder, port
        self.worts: dict[str, object] = dict(WORTS)
        self.reporting = True
        self.heard: list[Heard] = []
        self._deaf: set[int] = set()
        self.client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
        self.client.username_pw_set(USER, PASSWORD)
        self.client.on_connect = self._subscribe
        self.client.on_message = self._hear
        self.client.on_unsubscribe = lambda client, data, mid, *_: self._deaf.add(mid)
        self.client.reconnect_delay_set(1, 1)
        self._over = threading.Event()
        self._reporter = threading.Thread(target=self._report)

    def __enter__(self) -> "Cellar":
        self.client.connect("127.0.0.1", self.port)
        self.client.loop_start()
        until(self.client.is_connected, "the devices' connection")
        self._reporter.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self._over.set()
        self._reporter.join()
        self.client.disconnect()
        self.client.loop_stop()

    def orders(self, topic: str) -> list[bool]:
        """Whether each command on a topic, in the order of arrival, was "on"."""
        return [_is_on(message.payload) for message in list(self.heard) if message.topic == topic]

    def is_on(self, topic: str) -> bool:
        """What the newest command on a topic says; False before the first."""
        return self.orders(topic)[-1:] == [True]

    def stop_listening(self, topic: str) -> None:
        """Let no relay listen to a topic any more, and wait until the broker knows it."""
        _, mid = self.client.unsubscribe(topic)
        until(lambda: mid in self._deaf, "the broker's word that nobody listens")

    def publish(self, topic: str, payload: bytes | str, retain: bool = False, properties: Properties | None = None):  # type: ignore[no-untyped-def]
        """Publish as a stranger and wait until the broker has it."""
        self.client.publish(topic, payload, 1, retain, properties).wait_for_publish(PATIENCE_S)

    def _subscribe(self, client: paho.Client, *_: object) -> None:
        client.subscribe([("cellar/relay1/set", 1), ("cellar/relay2/set", 1), ("cellar/relay3/set", 1)])
        client.subscribe([("cellar/node1/+", 1), ("cellarhand/#", 1)])

    def _hear(self, client: paho.Client, _: object, message: paho.MQTTMessage) -> None:
        correlation = getattr(message.properties, "CorrelationData", None)
        self.heard.append(Heard(message.topic, bytes(message.payload), message.retain, correlation))

    def _report(self) -> None:
        while not self._over.wait(0.2):
            if self.reporting and self.client.is_connected():
                self.client.publish(PROBES, json.dumps({**self.worts, "at": time.time()}))
                self.client.publish(ROOM, '{"temperature": 68.0}')


def _is_on(payload: bytes) -> bool:
    if payload in (b"ON", b"OFF"):
        return payload == b"ON"
    return bool(json.loads(payload)["on"])


def _hear_hang_ups() -> None:
    """In the child: a test run under nohup ignores hang-ups, and so would the daemon that inherits it."""
    signal.signal(signal.SIGHUP, signal.SIG_DFL)


class Daemon:
    """`cellarhand run` as a child process, its log in a file, and its command line."""

    def __init__(self, site: Path, number: int = 1, manager: Manager | None = None) -> None:
        self.site = site
        self.log_path = site.parent / f"daemon{number}.log"
        environment = {**_environment(), **(manager.environment if manager else {})}
        with self.log_path.open("ab") as log:
            self.process = subprocess.Popen(
                _words("run", "--site", site), stderr=log, stdout=log, env=environment, preexec_fn=_hear_hang_ups
            )

    def __enter__(self) -> "Daemon":
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        if kind is not None:
            print(self.log())

    def log(self) -> str:
        """What it has logged so far."""
        return self.log_path.read_text()

    def say(self, *words: str) -> subprocess.CompletedProcess[str]:
        """One command of an operator; the exit code and both outputs."""
        return operator(*words, site=self.site)

    def status(self) -> dict:  # type: ignore[type-arg]
        """The status of the whole site, by HTTP."""
        with urllib.request.urlopen(f"{self._http()}/status", timeout=5) as reply:
            return json.load(reply)  # type: ignore[no-any-return]

    def wait_until_scanning(self) -> None:
        """Wait until the first scan is over and the broker connected."""
        until(lambda: self.healthz() == 200, "the daemon's first scan with a broker")

    def healthz(self) -> int:
        """The HTTP status of /healthz; 0 while nobody answers."""
        try:
            with urllib.request.urlopen(f"{self._http()}/healthz", timeout=5) as reply:
                return int(reply.status)
        except urllib.error.HTTPError as refusal:
            return refusal.code
        except OSError:
            return 0

    def metrics(self) -> dict[str, float]:
        """/metrics as a mapping from each sample's name with labels to its value."""
        with urllib.request.urlopen(f"{self._http()}/metrics", timeout=5) as reply:
            lines = reply.read().decode().splitlines()
        return {name: float(value) for line in lines if line[0] != "#" for name, _, value in [line.rpartition(" ")]}

    def end(self, how: signal.Signals = signal.SIGTERM) -> int:
        """Send a signal, wait, and give the exit code."""
        self.process.send_signal(how)
        return self.process.wait(PATIENCE_S)

    def _http(self) -> str:
        text = self.site.read_text()
        port = text.split("http:", 1)[1].split("port: ", 1)[1].split("\n", 1)[0]
        return f"http://127.0.0.1:{port}"


def operator(*words: str, site: Path | None = None) -> subprocess.CompletedProcess[str]:
    """One command at a terminal, without the environment's own idea of a site."""
    environment = _environment()
    for name in ("CELLARHAND_SITE", "CELLARHAND_SOCKET"):
        environment.pop(name, None)
    if site is not None:
        environment["CELLARHAND_SITE"] = str(site)
    return subprocess.run(_words(*words), capture_output=True, text=True, env=environment, timeout=PATIENCE_S)


def lines(path: Path) -> list[str]:
    """The lines of a file that another process is still writing."""
    with suppress(FileNotFoundError):
        return path.read_text().splitlines()
    return []


def reload(daemon: Daemon, outcome: str) -> list[str]:
    """Send the signal, wait for the outcome, and give the log's lines from there on."""
    before = len(lines(daemon.log_path))
    daemon.process.send_signal(signal.SIGHUP)
    until(lambda: any(outcome in line for line in lines(daemon.log_path)[before:]), outcome)
    return lines(daemon.log_path)[before:]


def _words(*words: object) -> list[str]:
    return [sys.executable, "-m", "controller", *map(str, words)]


def _environment() -> dict[str, str]:
    return {**os.environ, "PYTHONPATH": str(ROOT), "COLUMNS": "160"}
