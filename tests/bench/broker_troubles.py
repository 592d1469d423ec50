"""How soon control goes on after the broker was away or hung, and whether anything old is obeyed then.

    python -m tests.bench.broker_troubles [--restarts 10] [--stalls 10] [--side-by-side 10] [--seed N]

Asked for: within 5 s of the broker's being back, each time, a command that was decided after that, on a reading that
is current, and an output that must rest first has rested; no command from before the trouble, no "on" older than its
lifetime, numbers that only rise (design rule 4).
Needs mosquitto. `cellarhand run` drives a node of our own whose probe reports every 0.2 s, with a scan every second;
several daemons side by side, each with its own broker. A restart is a kill (SIGKILL or SIGTERM) and up to 10 s of
nothing; a stall is SIGSTOP for 1 to 60 s: connections stay open, and what is sent lies in the machine's buffers.
"""

import argparse
import json
import os
import random
import signal
import subprocess
import sys
import tempfile
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

import paho.mqtt.client as paho

from tests.bench.spied_run import __file__ as SPIED_RUN
from tests.runtime.daemons import NODE_COOLER, NODE_HEATER, ROOT, Cellar, Daemon, example_site, until
from tests.servers import Mosquitto, mosquitto

LIMIT_S = 5.0
CURRENT_S = 2.0  # a reading of this age is current
ON_ITS_WAY_S = 0.2  # from the broker's answer to the command that waited for it, on a busy machine
LIFETIME_S, RENEW_S, RESTS_S = 10.0, 2.0, 5.0
LONGEST_AWAY_S, SHORTEST_STALL_S, LONGEST_STALL_S = 10.0, 1.0, 60.0
COOLING_K_PER_S = 0.002  # about what 150 W do to 20 L
KEYS = {"pilot-20/cooler": NODE_COOLER, "pilot-20/heater": NODE_HEATER}


class Issued(NamedTuple):
    """A command when the daemon decided it."""

    at_s: float
    reading_age_s: float


class Obeyed(NamedTuple):
    """A command when the node heard it."""

    at_s: float
    topic: str
    order: tuple[int, int]  # epoch and number
    on: bool


class Trouble(NamedTuple):
    """What one trouble did. `faults` says what must not be."""

    kind: str
    lasted_s: float
    resumed_s: float
    faults: tuple[str, ...]


class Node(Cellar):
    """The cellar's devices, with the time at which the node's two outputs heard each command; its wort cools."""

    def __init__(self, folder: Path, port: int) -> None:
        super().__init__(folder, port)
        self.client.reconnect_delay_set(0.1, 0.1)  # type: ignore[arg-type]  # the node is there when the broker is
        self.obeyed: list[Obeyed] = []

    def _hear(self, client: paho.Client, data: object, message: paho.MQTTMessage) -> None:
        super()._hear(client, data, message)
        if message.topic in (NODE_COOLER, NODE_HEATER):
            order = json.loads(message.payload)
            number = (order["epoch"], order["number"])
            self.obeyed.append(Obeyed(time.monotonic(), message.topic, number, order["on"]))

    def cools(self, over: threading.Event) -> None:
        """Let the wort follow the cooler until `over`."""
        while not over.wait(1.0):
            self.worts["pilot-20"] = float(str(self.worts["pilot-20"])) - COOLING_K_PER_S * self.is_on(NODE_COOLER)


class SpiedDaemon(Daemon):
    """A daemon that notes when it issues each command."""

    def __init__(self, site: Path) -> None:
        self.site, self.log_path, self._notes = site, site.parent / "daemon.log", site.parent / "issued"
        environment = {**os.environ, "PYTHONPATH": str(ROOT)}
        with self.log_path.open("ab") as log:
            words = [sys.executable, SPIED_RUN, str(self._notes), "run", "--site", str(site)]
            self.process = subprocess.Popen(words, stderr=log, stdout=log, env=environment)

    def issued(self) -> dict[tuple[str, tuple[int, int]], Issued]:
        """Each command so far, by topic, epoch and number."""
        notes = [line.split() for line in self._notes.read_text().splitlines() if line.count(" ") == 4]
        return {
            (KEYS[tag], (int(epoch), int(number))): Issued(float(at_s), float(age_s))
            for epoch, number, tag, at_s, age_s in notes
            if tag in KEYS
        }


def one_daemon(restarts_s: list[float], stalls_s: list[float], chance: random.Random) -> list[Trouble]:
    """All troubles of one daemon, one after another."""
    found = []
    with tempfile.TemporaryDirectory() as name, mosquitto(Path(name)) as server, Node(Path(name), server.port) as node:
        changes = (
            ("/node1/cooler\n", f"/node1/cooler\n      renew: {RENEW_S:g} s\n      lifetime: {LIFETIME_S:g} s\n"),
            ("kind: pid\n      cycle: 15 min", "kind: on/off\n      deadband: 0.4 K"),
        )
        over = threading.Event()
        cooling = threading.Thread(target=node.cools, args=(over,))
        cooling.start()
        try:
            with SpiedDaemon(example_site(Path(name), server.port, *changes)) as daemon:
                until(lambda: daemon.process.poll() is not None or daemon.healthz() == 200, "the daemon")
                daemon.say("start", "pilot-20", "--batch", "Water", "--setpoint", "8 C")
                until(lambda: node.is_on(NODE_COOLER), "the cooler's on")
                for lasts_s in restarts_s:
                    found.append(one_trouble("restart", lasts_s, server, node, daemon, chance))
                for lasts_s in stalls_s:
                    found.append(one_trouble("stall", lasts_s, server, node, daemon, chance))
                if daemon.end() != 0:
                    raise RuntimeError(f"the daemon failed: {daemon.log()}")
        finally:
            over.set()
            cooling.join()
    return found


def one_trouble(
    kind: str, lasts_s: float, server: Mosquitto, node: Node, daemon: SpiedDaemon, chance: random.Random
) -> Trouble:
    """Let the broker go and come back, and judge what the node hears from then on."""
    time.sleep(chance.uniform(0.0, RENEW_S))  # anywhere between two renewals
    gone_s = time.monotonic()
    if kind == "restart":
        server.stop(chance.choice((signal.SIGKILL, signal.SIGTERM)))
        away_s = time.monotonic()
        time.sleep(lasts_s)
        returns_s = time.monotonic()
        server.start()
    else:
        server.freeze()
        away_s = time.monotonic()  # on a busy machine, later than it was meant to be
        time.sleep(lasts_s)
        returns_s = time.monotonic()  # the node may hear before this thread goes on
        server.thaw()
    back_s = time.monotonic()
    give_up = back_s + 4 * LIMIT_S
    while (resumed_s := _resumed(node, daemon, returns_s, back_s)) is None and time.monotonic() < give_up:
        time.sleep(0.05)
    time.sleep(RENEW_S)  # what comes after the first command is judged too
    return Trouble(kind, lasts_s, resumed_s or give_up - back_s, _faults(node, daemon, gone_s, away_s, back_s))


def _resumed(node: Node, daemon: SpiedDaemon, returns_s: float, back_s: float) -> float | None:
    """Seconds from the broker's return to the first command that was decided after it, on a current reading. An output
    whose "off" could only be heard since `returns_s`, when the broker began to return, must rest first: that time does
    not count."""
    issued, obeyed = daemon.issued(), list(node.obeyed)
    for heard in obeyed:
        command = issued.get((heard.topic, heard.order))
        if command and command.at_s > back_s and command.reading_age_s < CURRENT_S:
            offs_s = [each.at_s for each in obeyed if each.topic == heard.topic and returns_s < each.at_s < heard.at_s]
            rested_s = min(heard.at_s - offs_s[0], RESTS_S) if heard.on and offs_s else 0.0
            return heard.at_s - back_s - rested_s
    return None


def _faults(node: Node, daemon: SpiedDaemon, gone_s: float, away_s: float, back_s: float) -> tuple[str, ...]:
    """What must not be: the broker answered for certain until `gone_s`, and no more after `away_s`."""
    issued, faults = daemon.issued(), []
    for topic in (NODE_COOLER, NODE_HEATER):
        orders = [heard.order for heard in node.obeyed if heard.topic == topic]
        if any(later <= earlier for earlier, later in pairwise(orders)):
            faults.append(f"numbers on {topic} do not rise: {orders}")
    for heard in list(node.obeyed):
        if heard.at_s < back_s:
            continue
        issued_s = issued[heard.topic, heard.order].at_s
        age_s = heard.at_s - issued_s
        if issued_s < gone_s - ON_ITS_WAY_S:
            faults.append(f"a command from before the trouble came {age_s:.1f} s late: {heard}")
        # One on its way at that moment lies in the socket of a broker that had answered just before.
        if heard.on and age_s > LIFETIME_S and issued_s > away_s + ON_ITS_WAY_S:
            faults.append(f"an on came {age_s:.1f} s late, after its lifetime of {LIFETIME_S:g} s: {heard}")
    if "Traceback" in daemon.log():
        faults.append(f"the daemon logged an exception:\n{daemon.log()}")
    return tuple(faults)


def main() -> int:
    """Run, print, and return 1 if a limit is missed."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--restarts", type=int, default=10)
    parser.add_argument("--stalls", type=int, default=10)
    parser.add_argument("--side-by-side", type=int, default=10)
    parser.add_argument("--seed", type=int, default=random.randrange(1_000_000))
    asked = parser.parse_args()
    chance = random.Random(asked.seed)
    # The longest of one kind beside the shortest of the other: so the whole is over soonest.
    restarts = sorted(chance.uniform(0.0, LONGEST_AWAY_S) for _ in range(asked.restarts))
    stalls = sorted((chance.uniform(SHORTEST_STALL_S, LONGEST_STALL_S) for _ in range(asked.stalls)), reverse=True)
    abreast = min(asked.side_by_side, max(asked.restarts, asked.stalls))
    began_s = time.monotonic()
    with ThreadPoolExecutor(abreast) as pool:
        runs = [
            pool.submit(one_daemon, restarts[n::abreast], stalls[n::abreast], random.Random(asked.seed + n))
            for n in range(abreast)
        ]
        troubles = [trouble for run in runs for trouble in run.result()]
    for kind in ("restart", "stall"):
        for trouble in sorted(trouble for trouble in troubles if trouble.kind == kind):
            late = "" if trouble.resumed_s <= LIMIT_S else "  TOO LATE"
            print(f"{kind} of {trouble.lasted_s:4.1f} s: control went on after {trouble.resumed_s:.2f} s{late}")
    faults = [fault for trouble in troubles for fault in trouble.faults]
    worst_s = max(trouble.resumed_s for trouble in troubles)
    print(f"worst {worst_s:.2f} s (asked for: {LIMIT_S:g} s); nothing old was obeyed: {not faults}")
    print(f"{len(troubles)} troubles in {time.monotonic() - began_s:.0f} s, seed {asked.seed}")
    for fault in faults:
        print(fault)
    return int(bool(faults) or worst_s > LIMIT_S)


if __name__ == "__main__":
    sys.exit(main())
