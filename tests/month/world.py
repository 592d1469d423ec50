"""Everything around the daemon: cellar, broker, the machine's clock, people with a terminal, places messages go to.

One moment of the cellar follows the other as soon as the daemon's scan of it is over; nothing else sets the pace.
"""

import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import replace
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import NamedTuple

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from controller.control.values import Action, Command
from controller.plant.brewer import Brewer, Plan
from controller.plant.cellar import Cellar
from tests.month.plant import SCAN_S, month_cellar, site_text, write_secret
from tests.month.rules import Rules
from tests.servers import PASSWORD, USER, Mosquitto, free_port

DAY_S = 86400.0
BEGIN_UTC_S = 1_791_612_000.0  # 2026-10-10T06:00:00Z: summer time ends on the fifteenth day
PATIENCE_S = 30.0  # of real time, until something counts as failed
COMMANDS_LATE_S = 0.1  # of real time, until a command that should have come is not waited for
ROOT = Path(__file__).parents[2]
MODULE = "tests.month.daemon"


class Answer(NamedTuple):
    """What an operator's command printed and how it ended."""

    code: int
    text: str


class Usage(NamedTuple):
    """What the daemon holds, at a moment of its life."""

    day: float
    rss_mb: float
    threads: int
    files: int


class Mail(BaseHTTPRequestHandler):
    """Takes messages and heartbeats; /book refuses its first three."""

    bodies: list[tuple[str, str]]
    refusals: int

    def do_POST(self) -> None:
        """One message."""
        body = self.rfile.read(int(self.headers.get("Content-Length", 0))).decode()
        server = self.server
        assert isinstance(server, MailServer)
        refuse = self.path == "/book" and server.refusals > 0
        if refuse:
            server.refusals -= 1
        else:
            server.bodies.append((self.path.strip("/"), body))
        self.send_response(500 if refuse else 200)
        self.end_headers()

    def do_GET(self) -> None:
        """One heartbeat."""
        server = self.server
        assert isinstance(server, MailServer)
        server.beats += 1
        self.send_response(200)
        self.end_headers()

    def log_message(self, format: str, *args: object) -> None:
        """Nothing: the month prints enough."""


class MailServer(ThreadingHTTPServer):
    """Where messages and heartbeats arrive."""

    daemon_threads = True

    def __init__(self) -> None:
        super().__init__(("127.0.0.1", 0), Mail)
        self.bodies: list[tuple[str, str]] = []
        self.refusals = 3
        self.beats = 0
        threading.Thread(target=self.serve_forever, daemon=True).start()


class World:
    """See the module. `day` tells the time; `live_until` lets it pass."""

    def __init__(self, folder: Path, broker: Mosquitto, broker_block: str) -> None:
        self.folder, self.broker = folder, broker
        self.cellar = month_cellar()
        self.rules = Rules(self.cellar)
        self.brewers: list[NamedBrewer] = []
        self.clock_error_s: float | None = 0.0  # of the machine; None: it knows that it does not know
        self.hung = socket.create_server(("127.0.0.1", 0))  # accepts and never answers
        self.mail = MailServer()
        self.site = folder / "site.yaml"
        self.log = folder / "daemon.log"
        self.usage: list[Usage] = []
        self._weighed_day = 0.0
        self._write_site(broker_block)
        self._seen: dict[str, dict[str, object]] = {}
        self._daemon: subprocess.Popen[bytes] | None = None
        self._doors = socket.socket(socket.AF_UNIX)
        self._doors.bind(str(folder / "time.sock"))
        self._doors.listen()
        self._time: socket.socket | None = None
        self._orders: list[Command] = []
        self._heard = self._missed = 0
        self._news = threading.Condition()
        self._client = self._connected()

    @property
    def day(self) -> float:
        """Days since the beginning."""
        return self.cellar.now_s / DAY_S

    @property
    def readings_flow(self) -> bool:
        """Whether the devices reach the broker."""
        return self._client.is_connected()

    def comes(self, name: str, *plans: Plan) -> "NamedBrewer":
        """A brewer comes with plans."""
        brewer = NamedBrewer(name, self.cellar, plans)
        self.brewers.append(brewer)
        return brewer

    # ---- time

    def live_until(self, day: float) -> None:
        """Let the cellar's time pass; once a day the daemon is weighed."""
        while self.day < day:
            self.moment()
            if self._daemon is not None and self.day >= self._weighed_day + 1.0:
                self._weighed_day = self.day
                self._weigh(self._daemon.pid)

    def live(self, seconds: float) -> None:
        """Let some of the cellar's time pass."""
        self.live_until(self.day + seconds / DAY_S)

    def moment(self) -> None:
        """One moment: time, people, readings, the daemon's scan, commands."""
        cellar = self.cellar
        cellar.advance(SCAN_S)
        self.rules.look()
        for brewer in self.brewers:
            for action in brewer.acts(cellar.now_s, self._seen):
                wish = json.dumps({"id": action.id, "do": action.verb, **action.arguments})
                self._client.publish(f"cellarhand/month/{action.vessel}/set", wish, 1)
        flows = self.readings_flow
        if flows:
            probes = {tag: reading.celsius for tag, reading in cellar.readings().items()}
            self._client.publish("plant/probes", json.dumps(probes), 0)
        if self._time is not None:
            self._scan(self._time, flows)
        with self._news:
            orders, self._orders = self._orders, []
        cellar.obey(orders)

    def _scan(self, line: socket.socket, flows: bool) -> None:
        utc_s = None if self.clock_error_s is None else BEGIN_UTC_S + self.cellar.now_s + self.clock_error_s
        shown = "-" if utc_s is None else f"{utc_s}"
        try:
            line.sendall(f"{self.cellar.now_s} {shown} {int(flows)}\n".encode())
            told = b""
            while not told.endswith(b"\n"):
                more = line.recv(200)
                if not more:
                    raise ConnectionResetError
                told += more
        except (ConnectionError, TimeoutError):
            self._daemon_has_gone()
            return
        sent = int(told.split()[1])
        with self._news:
            if not self._news.wait_for(lambda: self._heard + self._missed >= sent, COMMANDS_LATE_S):
                self._missed = sent - self._heard

    def _daemon_has_gone(self) -> None:
        assert self._daemon is not None
        self._daemon.wait(PATIENCE_S)
        raise RuntimeError(f"the daemon ended by itself on day {self.day:.2f}, see {self.log}")

    # ---- the daemon

    def start(self) -> None:
        """Start the daemon and wait until it asks for the time."""
        with self.log.open("ab") as log:
            words = [sys.executable, "-m", MODULE, str(self.folder / "time.sock"), "run", "--site", str(self.site)]
            self._daemon = subprocess.Popen(words, cwd=ROOT, stdout=log, stderr=log, preexec_fn=_hear_hang_ups)
        self._doors.settimeout(PATIENCE_S)
        self._time, _ = self._doors.accept()
        self._time.settimeout(PATIENCE_S)
        with self._news:
            self._heard = self._missed = 0

    def end(self, how: signal.Signals) -> int:
        """End the daemon by a signal; its exit code."""
        assert self._daemon is not None
        self._daemon.send_signal(how)
        code = self._daemon.wait(PATIENCE_S)
        self._daemon = None
        if self._time is not None:
            self._time.close()
        self._time = None
        return code

    def hang_up(self) -> None:
        """Send SIGHUP and let an hour pass."""
        assert self._daemon is not None
        self._daemon.send_signal(signal.SIGHUP)
        self.slowly(20)

    def slowly(self, moments: int) -> None:
        """Some moments at a pace at which things beside the scans can happen."""
        for _ in range(moments):
            time.sleep(0.02)
            self.moment()

    def _weigh(self, number: int) -> None:
        process = Path(f"/proc/{number}")
        status = dict(line.split(":", 1) for line in (process / "status").read_text().splitlines())
        rss_mb = int(status["VmRSS"].split()[0]) / 1024.0
        files = len(os.listdir(process / "fd"))
        self.usage.append(Usage(self.day, rss_mb, int(status["Threads"]), files))

    # ---- people

    def say(self, *words: str) -> Answer:
        """One command of an operator at the terminal, while the cellar's time goes on slowly."""
        command = [sys.executable, "-m", "controller", *words]
        environment = {**os.environ, "CELLARHAND_SITE": str(self.site), "COLUMNS": "80"}
        running = subprocess.Popen(
            command, cwd=ROOT, env=environment, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
        )
        while running.poll() is None:
            time.sleep(0.02)
            self.moment()
        output = running.stdout.read() if running.stdout else ""
        return Answer(running.returncode, output)

    def second_daemon(self) -> Answer:
        """Somebody starts the daemon once more."""
        done = subprocess.run(
            [sys.executable, "-m", "controller", "run", "--site", str(self.site)],
            cwd=ROOT, capture_output=True, text=True, timeout=PATIENCE_S,
        )  # fmt: skip
        return Answer(done.returncode, done.stderr)

    def rewrite(self, old: str, new: str) -> None:
        """Somebody edits the site file."""
        text = self.site.read_text()
        assert text.count(old) == 1, f"{old!r} must occur once"
        self.site.write_text(text.replace(old, new))

    # ---- the devices' side of the broker

    def restart_broker(self, away_s: float) -> None:
        """The broker's power fails; it comes back after some of the cellar's time."""
        self.broker.stop(signal.SIGKILL)
        self.until(lambda: not self.readings_flow)
        self.live(away_s)
        self.broker.start()
        self.until(lambda: self.readings_flow)

    def until(self, condition: Callable[[], object]) -> None:
        """Let time pass slowly until something is true."""
        give_up = time.monotonic() + PATIENCE_S
        while not condition():
            assert time.monotonic() < give_up, "waited in vain"
            self.slowly(1)

    def shout(self, topic: str, payload: bytes) -> None:
        """A stranger publishes."""
        self._client.publish(topic, payload, 0)

    def close(self) -> None:
        """End what this world started."""
        if self._daemon is not None:
            self.end(signal.SIGKILL)
        self._client.loop_stop()
        self.mail.shutdown()

    def _connected(self) -> paho.Client:
        client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
        client.username_pw_set(USER, PASSWORD)
        client.on_connect = _subscribe
        client.on_message = self._hear
        client.on_socket_open = _without_delay
        client.reconnect_delay_set(1, 1)
        client.connect("127.0.0.1", self.broker.port, keepalive=3600)
        client.loop_start()
        give_up = time.monotonic() + PATIENCE_S
        while not client.is_connected():
            assert time.monotonic() < give_up, "the devices found no broker"
            time.sleep(0.01)
        return client

    def _hear(self, client: paho.Client, _: object, message: paho.MQTTMessage) -> None:
        name, _, rest = message.topic.partition("/")
        content = json.loads(message.payload)
        with self._news:
            if name == "plant":
                vessel, _, output = rest.partition("/")
                order = Command(
                    f"{vessel}/{output}", content["on"], content["lifetime_s"], "", content["number"], content["epoch"]
                )
                self._orders.append(order)
                self._heard += 1
                self._news.notify()
            else:
                self._seen[message.topic.split("/")[2]] = content

    def _write_site(self, broker_block: str) -> None:
        port = self.mail.server_address[1]
        write_secret(self.folder / "book-url", f"http://127.0.0.1:{port}/book")
        write_secret(self.folder / "phone-url", f"json://127.0.0.1:{port}/phone")
        write_secret(self.folder / "wall-url", f"http://127.0.0.1:{self.hung.getsockname()[1]}/wall")
        write_secret(self.folder / "beat-url", f"http://127.0.0.1:{port}/beat")
        write_secret(self.folder / "password", PASSWORD)
        self.site.write_text(site_text(broker_block, free_port()))


class NamedBrewer(Brewer):
    """The plant's brewer, with ids of its own, who can hand a vessel over and follow a beer to another, and who takes
    a sample once a day: more is beer poured away."""

    gravity_every_s = 24 * 3600.0

    def __init__(self, prefix: str, cellar: Cellar, plans: tuple[Plan, ...]) -> None:
        super().__init__(cellar, plans)
        self._prefix = prefix

    def leaves(self, vessel: str) -> None:
        """This vessel is no longer theirs."""
        self._plans = tuple(plan for plan in self._plans if plan.vessel != vessel)

    def adds(self, plan: Plan) -> None:
        """A new beer for a vessel."""
        self.leaves(plan.vessel)
        self._plans = (*self._plans, plan)
        self._gravity_s.pop(plan.vessel, None)
        self._asked_s = {key: at_s for key, at_s in self._asked_s.items() if key[0] != plan.vessel}
        for done in (self._filled, self._started, self._pitched):
            done.discard(plan.vessel)

    def takes_over(self, plan: Plan) -> None:
        """A beer that is fermenting already."""
        self.adds(plan)
        for done in (self._filled, self._started, self._pitched):
            done.add(plan.vessel)

    def follows(self, batch: str, vessel: str) -> None:
        """Their beer is in another vessel now."""
        for plan in self._plans:
            if plan.batch == batch:
                self.leaves(plan.vessel)
                self.takes_over(replace(plan, vessel=vessel))

    def _action(self, vessel: str, verb: str, arguments: Mapping[str, str | float | bool]) -> Action:
        action = super()._action(vessel, verb, arguments)
        return action._replace(id=f"{self._prefix}-{action.id}")


def _subscribe(client: paho.Client, *_: object) -> None:
    client.subscribe([("plant/+/+", 1), ("cellarhand/month/+/state", 1)])


def _without_delay(client: paho.Client, _: object, sock: socket.socket) -> None:
    sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)


def _hear_hang_ups() -> None:
    signal.signal(signal.SIGHUP, signal.SIG_DFL)
