"""The example site file as it is shipped, with the broker's own command-line clients at the other end."""

import json
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.runtime.daemons import CONE_COOLER, CONE_HEATER, OUTPUTS, PROBES, WORTS, Daemon, example_site, lines, until
from tests.servers import PASSWORD, USER, Mosquitto, program

pytestmark = pytest.mark.servers


def client(name: str, port: int) -> list[str]:
    return [program(name), "-h", "127.0.0.1", "-p", str(port), "-u", USER, "-P", PASSWORD]


@contextmanager
def listening(port: int, into: Path) -> Iterator[Path]:
    """mosquitto_sub on everything: one line for each message, with topic, retain flag and payload."""
    with into.open("wb") as output:
        sub = subprocess.Popen(
            [*client("mosquitto_sub", port), "-q", "1", "-t", "#", "-F", "%t %r %p"], stdout=output, stderr=output
        )
        try:
            yield into
        finally:
            sub.terminate()
            sub.wait()


@contextmanager
def fed(port: int) -> Iterator[subprocess.Popen[bytes]]:
    """mosquitto_pub that publishes each line of its input as a reading of all probes."""
    pub = subprocess.Popen([*client("mosquitto_pub", port), "-q", "1", "-t", PROBES, "-l"], stdin=subprocess.PIPE)
    try:
        yield pub
    finally:
        assert pub.stdin is not None
        pub.stdin.close()
        pub.wait()


def reported(pub: subprocess.Popen[bytes]) -> bool:
    """Report all temperatures; True."""
    assert pub.stdin is not None
    pub.stdin.write(json.dumps(WORTS).encode() + b"\n")
    pub.stdin.flush()
    return True


def test_a_wort_warmer_than_its_setpoint_is_cooled_until_the_brewer_says_off(tmp_path: Path, server: Mosquitto) -> None:
    heard = tmp_path / "heard"
    with (
        listening(server.port, heard),
        fed(server.port) as pub,
        Daemon(example_site(tmp_path, server.port)) as daemon,
    ):
        until(lambda: reported(pub) and f"{CONE_COOLER} 0 OFF" in lines(heard), "the first off")
        daemon.wait_until_scanning()
        assert f"{CONE_COOLER} 0 ON" not in lines(heard)
        started = daemon.say("start", "cone-120", "--batch", "Water", "--setpoint", "8 C", "--volume", "100 L")
        assert started.returncode == 0, started.stderr
        until(lambda: reported(pub) and f"{CONE_COOLER} 0 ON" in lines(heard), "the relay's ON")
        before = lines(heard).count(f"{CONE_COOLER} 0 OFF")
        assert daemon.say("mode", "cone-120", "off").returncode == 0
        until(lambda: lines(heard).count(f"{CONE_COOLER} 0 OFF") > before, "the relay's OFF")
        assert f"{CONE_HEATER} 0 ON" not in lines(heard)

        late = tmp_path / "late"
        with listening(server.port, late):  # a newcomer is given what the broker kept: no command is among it
            until(lambda: any(line.startswith("cellarhand/cellar/availability 1") for line in lines(late)), "retained")
            reported(pub)
            until(lambda: any(line.startswith(PROBES) for line in lines(late)), "a live message")
            assert not [line for line in lines(late) if line.startswith(OUTPUTS) and " 1 " in line]
        assert daemon.end() == 0
    topics = {line.split(" ")[0] for line in lines(heard)}
    assert set(OUTPUTS) <= topics
    assert not [line for line in lines(heard) if line.startswith(OUTPUTS) and line.split(" ")[1] != "0"]


def test_a_wort_colder_than_its_setpoint_is_heated_only_if_its_volume_is_known(
    tmp_path: Path, server: Mosquitto
) -> None:
    heard = tmp_path / "heard"
    with (
        listening(server.port, heard),
        fed(server.port) as pub,
        Daemon(example_site(tmp_path, server.port)) as daemon,
    ):
        until(lambda: reported(pub) and daemon.healthz() == 200, "the daemon's first scan")
        assert daemon.say("start", "cone-120", "--batch", "Unknown", "--setpoint", "24 C").returncode == 0

        def why() -> str:
            reported(pub)
            return str(daemon.status()["vessels"]["cone-120"]["outputs"]["heater"]["reason"])

        until(lambda: why() == "no heat: the batch's volume is not known", "the reason in the status")
        assert daemon.say("packaged", "cone-120").returncode == 0
        say = daemon.say("start", "cone-120", "--batch", "Known", "--setpoint", "24 C", "--volume", "100 L")
        assert say.returncode == 0, say.stderr
        until(lambda: reported(pub) and f"{CONE_HEATER} 0 ON" in lines(heard), "the heater's ON")
        assert f"{CONE_COOLER} 0 ON" not in lines(heard)
