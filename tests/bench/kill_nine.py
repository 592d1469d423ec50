"""The daemon killed at random instants, again and again: what power cuts do to the history, the outputs and the batch.

    python -m tests.bench.kill_nine [--times N] [--seed N]

The real `cellarhand run` on a real mosquitto, with devices that switch off by their own timers. It is killed during
its start, in the middle of regulation, or just after an event has begun to go to the disk. Each time:

- the store is sound (SQLite's own integrity check) and has the batch;
- the batch stands within one scan of where it was last seen, by both clocks of its step;
- no device stays on for longer than the lifetime of the last "on" that it got, the first word of a new start to it is
  "off", and a node, which obeys only what is newer than what it knows, never has to refuse a command.

Exit code 1 if any of that did not hold.
"""

import argparse
import json
import os
import random
import signal
import sqlite3
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import closing, suppress
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

from controller.historian.positions import PositionsFile, memory_dir, put_forward
from controller.historian.query import read_saved_state
from tests.runtime.daemons import CONE_COOLER, NODE_COOLER, Cellar, Daemon, example_site, operator, until
from tests.servers import mosquitto

SCAN_S = 1.0
ROUNDED_S = 0.5  # the status tells whole seconds
PROFILED, COOLED = "cone-120", "pilot-20"  # one follows a profile, the other's cooler runs all the time
CHANGEOVER = "change-over time after the heater"
LIFETIME_S = 120.0  # of an "on" to the relays of the example site; a node is told its own


class Seen(NamedTuple):
    """Where the batch stood when it was last asked for, by both clocks of its step, s."""

    number: int
    counted_s: float
    elapsed_s: float


class Times(NamedTuple):
    """A command as a device got it: when, which start's it is, and what it says."""

    at: float
    life: int
    on: bool
    lifetime_s: float


class Devices(Cellar):
    """The cellar, whose devices remember when each command came."""

    life = 0

    def __init__(self, folder: Path, port: int) -> None:
        super().__init__(folder, port)
        self.got: dict[str, list[Times]] = {CONE_COOLER: [], NODE_COOLER: []}
        self.refused = 0
        self._newest = (0, 0)

    def _hear(self, client: object, _: object, message: object) -> None:
        super()._hear(client, _, message)  # type: ignore[arg-type]
        topic, payload = message.topic, bytes(message.payload)  # type: ignore[attr-defined]
        if topic == NODE_COOLER:
            order = json.loads(payload)
            age = (int(order["epoch"]), int(order["number"]))
            self.refused += age <= self._newest
            self._newest = max(age, self._newest)
            self.got[topic].append(Times(time.monotonic(), self.life, bool(order["on"]), float(order["lifetime_s"])))
        elif topic == CONE_COOLER:
            self.got[topic].append(Times(time.monotonic(), self.life, payload == b"ON", LIFETIME_S))

    def heard_in_this_life(self) -> int:
        """How many commands have come since the last start."""
        return sum(each.life == self.life for times in self.got.values() for each in list(times))


class Trial:
    """Kills one daemon after another, and keeps what was found."""

    def __init__(self, site: Path, devices: Devices, seed: int) -> None:
        self._site, self._devices = site, devices
        self._store = site.parent / "state" / "history.sqlite"
        self._chance = random.Random(seed)
        self._seen: Seen | None = None
        self.misses: list[str] = []
        self.worst_back_s = 0.0
        self.kills: dict[str, int] = {"start": 0, "regulation": 0, "event": 0}

    def begin(self) -> None:
        """Start both batches, and end the daemon in an orderly way."""
        with Daemon(self._site) as daemon:
            daemon.wait_until_scanning()
            for words in (
                ("start", PROFILED, "--batch", "Pale", "--profile", "clean-ale", "--og", "1.050", "--volume", "100 L"),
                ("start", COOLED, "--batch", "Water", "--setpoint", "8 C", "--volume", "20 L"),
            ):
                done = operator(*words, site=self._site)
                assert done.returncode == 0, done.stderr
            until(lambda: self._look(daemon) and self._devices.is_on(NODE_COOLER), "a batch and a running cooler")
            assert daemon.end() == 0

    def kill_once(self) -> None:
        """One life, one kill, one look at what is left."""
        self._devices.life += 1
        kind = self._chance.choice(list(self.kills))
        self.kills[kind] += 1
        with Daemon(self._site) as daemon:
            getattr(self, f"_wait_{kind}")(daemon)
            daemon.process.send_signal(signal.SIGKILL)
            daemon.process.wait()
            if "Traceback" in daemon.log():
                self._miss(kind, "a traceback in the log")
        self._check_store(kind)

    def go_on(self) -> None:
        """One more start, to the end: the batch is there, the cooler runs again, and the daemon stops in order.

        A run that was killed before the store had any of it may have heated: then the cooler waits, and says so."""
        self._devices.life += 1
        with Daemon(self._site) as daemon:
            until(lambda: self._look(daemon), "a status")
            until(lambda: self._devices.is_on(NODE_COOLER) or CHANGEOVER in _why(daemon), "the cooler's on")
            if daemon.end() != 0:
                self._miss("end", "the last daemon did not end well")

    def _wait_start(self, daemon: Daemon) -> None:
        time.sleep(self._chance.uniform(0.0, 1.5))

    def _wait_regulation(self, daemon: Daemon) -> None:
        until(lambda: self._devices.heard_in_this_life() > 0, "the first command")
        end = time.monotonic() + self._chance.uniform(0.0, 8.0 * SCAN_S)
        while time.monotonic() < end:
            self._look(daemon)
            time.sleep(0.02)

    def _wait_event(self, daemon: Daemon) -> None:
        until(lambda: self._look(daemon), "a status")
        entered = {"id": f"life {self._devices.life}", "do": "gravity", "gravity": 1.040}
        self._devices.publish(f"cellarhand/cellar/{PROFILED}/set", json.dumps(entered))
        replies = self._replies()
        until(lambda: self._replies() > replies or daemon.process.poll() is not None, "the answer to an action")
        time.sleep(self._chance.uniform(0.0, 0.03))  # the commit is under way

    def _replies(self) -> int:
        return sum(message.topic.endswith("/reply") for message in list(self._devices.heard))

    def _look(self, daemon: Daemon) -> bool:
        """Note where the batch stands, if the daemon tells it."""
        with suppress(OSError, KeyError, TypeError):
            step = daemon.status()["vessels"][PROFILED]["step"]
            self._seen = Seen(step["number"], step["counted_s"], step["elapsed_s"])
            return True
        return False

    def _check_store(self, kind: str) -> None:
        with closing(sqlite3.connect(self._store)) as database:
            verdict = database.execute("PRAGMA integrity_check").fetchall()
        if verdict != [("ok",)]:
            self._miss(kind, f"the store is damaged: {verdict}")
        if list(self._store.parent.glob("*.corrupt*")):
            self._miss(kind, "a store was moved aside")
        saved = read_saved_state(self._store)
        if saved is not None:  # as a start reads it
            saved = put_forward(saved, PositionsFile(self._store.parent, memory_dir(os.environ)).read())
        now = saved.vessels[PROFILED] if saved else None
        if now is None or now.batch is None or now.batch.name != "Pale" or now.program is None or self._seen is None:
            self._miss(kind, "the batch is not in the store")
            return
        step, counted_s, elapsed_s = self._seen
        back_s = max(counted_s - now.program.counted_s, elapsed_s - now.program.elapsed_s) - ROUNDED_S
        self.worst_back_s = max(self.worst_back_s, back_s)
        if now.program.step + 1 != step or back_s > SCAN_S:
            self._miss(kind, f"the batch stands at {now.program}, and was last seen at {self._seen}")
        self._seen = Seen(step, now.program.counted_s - ROUNDED_S, now.program.elapsed_s - ROUNDED_S)

    def check_devices(self) -> float:
        """What the devices got over all lives; the longest time that one was on after the last word to it, s."""
        longest_s = 0.0
        for topic, times in self._devices.got.items():
            for before, after in pairwise(times):
                if after.life != before.life and after.on:
                    self._miss(topic, 'the first word of a start was "on"')
                if before.on:
                    longest_s = max(longest_s, min(after.at - before.at, before.lifetime_s))
            if any(each.lifetime_s > LIFETIME_S for each in times):
                self._miss(topic, "an on with a longer lifetime than the site file gives")
            if any(message.retained for message in list(self._devices.heard) if message.topic == topic):
                self._miss(topic, "a retained command")
        if self._devices.refused:
            self._miss("node", f"{self._devices.refused} commands were not newer than those before")
        return longest_s

    def _miss(self, where: str, what: str) -> None:
        self.misses.append(f"{where}, life {self._devices.life}: {what}")


def _why(daemon: Daemon) -> str:
    """The reason that the cooled vessel's cooler gives; empty if the status does not come."""
    with suppress(OSError):
        return str(daemon.status()["vessels"][COOLED]["outputs"]["cooler"]["reason"])
    return ""


def run(times: int, seed: int, say: Callable[[str], object]) -> int:
    """The whole trial in a folder of its own; the exit code."""
    began = time.monotonic()
    say(f"seed {seed}")
    with tempfile.TemporaryDirectory() as name, mosquitto(Path(name)) as server, Devices(Path(name), server.port) as it:
        it.worts[PROFILED] = 18.0
        trial = Trial(example_site(Path(name), server.port), it, seed)
        trial.begin()
        for _ in range(times):
            trial.kill_once()
        trial.go_on()
        longest_s = trial.check_devices()
    kinds = ", ".join(f"{count} in {kind}" for kind, count in trial.kills.items())
    say(f"killed {times} times ({kinds}) in {time.monotonic() - began:.0f} s")
    say(f"store sound every time: {'no' if any('store' in miss for miss in trial.misses) else 'yes'}")
    say(f"batch set back by {max(trial.worst_back_s, 0.0):.1f} s at most (allowed: {SCAN_S:.0f} s, one scan)")
    say(f"longest on without another word: {longest_s:.1f} s (allowed: {LIFETIME_S:.0f} s)")
    for miss in trial.misses:
        say(f"MISSED: {miss}")
    return 1 if trial.misses else 0


def main() -> int:
    """The exit code: 0 if everything held every time."""
    parser = argparse.ArgumentParser(description="Kill the daemon at random instants.")
    parser.add_argument("--times", type=int, default=30)
    parser.add_argument("--seed", type=int, default=random.randrange(10**6))
    arguments = parser.parse_args()
    return run(arguments.times, arguments.seed, lambda text: print(text, flush=True))


if __name__ == "__main__":
    sys.exit(main())
