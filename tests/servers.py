"""Real brokers on free loopback ports, for tests and benchmarks. Each is a child process of the test's own."""

import os
import secrets
import shutil
import signal
import socket
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import iotcore
import trustme

from controller.installation import Broker, Tls

USER, PASSWORD = "cellar", "a password of the tests"
PATIENCE_S = 20.0  # until a server counts as failed; not an expectation


def free_port() -> int:
    """A loopback port that nobody listens to at the moment. Below those that outgoing connections get (32768 and
    up, ip(7)): else one of them may sit on it before the server does."""
    while True:
        port = secrets.choice(range(20_000, 32_000))
        with socket.socket() as probe, suppress(OSError):
            probe.bind(("127.0.0.1", port))
            return port


def program(name: str) -> str:
    """The path of a server program. A missing one fails the test: it must not look like a passed one."""
    found = shutil.which(name, path=os.environ.get("PATH", "") + ":/usr/sbin:/usr/local/sbin")
    if found is None:
        raise FileNotFoundError(f"{name} is not installed, so this test cannot run (Debian: apt-get install {name})")
    return found


def broker(
    port: int,
    user: str | None = USER,
    password: str | None = PASSWORD,
    client_id: str = "cellarhand",
    tls: Tls | None = None,
) -> Broker:
    """The broker section of a site file for a server on this machine."""
    return Broker("127.0.0.1", port, user, password, client_id, tls=tls)


class Mosquitto:
    """A mosquitto with one user, no anonymous access, no persistence, on its own port across restarts. `more` are
    further lines for its only listener."""

    def __init__(self, folder: Path, more: str = "") -> None:
        self.port = free_port()
        self._log = folder / "mosquitto.log"
        self._config = folder / "mosquitto.conf"
        passwords = folder / "passwords"
        self.access = folder / "access"
        subprocess.run([program("mosquitto_passwd"), "-b", "-c", str(passwords), USER, PASSWORD], check=True)
        self.access.write_text(f"user {USER}\ntopic readwrite #\n")
        for secret in (passwords, self.access):
            secret.chmod(0o600)
        self._config.write_text(
            f"listener {self.port} 127.0.0.1\nallow_anonymous false\n"
            f"password_file {passwords}\nacl_file {self.access}\n"
            f"persistence false\nset_tcp_nodelay true\nlog_dest file {self._log}\nlog_type all\nuser {_owner()}\n{more}"
        )
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start, and wait until it accepts connections."""
        self._process = subprocess.Popen([program("mosquitto"), "-c", str(self._config)], stderr=subprocess.DEVNULL)
        give_up = time.monotonic() + PATIENCE_S
        while time.monotonic() < give_up and self._process.poll() is None:
            try:
                socket.create_connection(("127.0.0.1", self.port), timeout=1).close()
                return
            except OSError:
                time.sleep(0.01)
        raise RuntimeError(f"mosquitto did not start: {self._log.read_text() if self._log.exists() else 'no log'}")

    def stop(self, how: signal.Signals = signal.SIGTERM) -> None:
        """End it, politely or (SIGKILL) as a power cut would, and wait until it has ended."""
        if self._process is not None:
            self._process.send_signal(signal.SIGCONT)
            self._process.send_signal(how)
            self._process.wait(PATIENCE_S)
            self._process = None

    def log(self) -> str:
        """What it has logged so far."""
        return self._log.read_text()

    def freeze(self) -> None:
        """Let it hang: connections stay open and nothing answers, until `thaw`."""
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        """Let it go on after `freeze`."""
        assert self._process is not None
        self._process.send_signal(signal.SIGCONT)


def _owner() -> str:
    """mosquitto as root would become another user, who may not read the test's files."""
    return "root" if os.geteuid() == 0 else "nobody"


def tls_listener(folder: Path, certificate: trustme.LeafCert, clients: trustme.CA | None = None) -> str:
    """The lines that make a mosquitto speak TLS with this certificate, and accept only clients of `clients`."""
    (chain, key), authority = pem_files(folder, "broker", certificate), folder / "authority-of-clients.pem"
    lines = f"certfile {chain}\nkeyfile {key}\n"
    if clients is None:
        return lines
    clients.cert_pem.write_to_path(authority)
    return f"{lines}cafile {authority}\nrequire_certificate true\n"


def pem_files(folder: Path, name: str, certificate: trustme.LeafCert) -> tuple[Path, Path]:
    """Write a certificate with those above it, and its key, as their owner would."""
    chain, key = folder / f"{name}-certificate.pem", folder / f"{name}-key.pem"
    chain.write_bytes(b"".join(blob.bytes() for blob in certificate.cert_chain_pems))
    certificate.private_key_pem.write_to_path(key)
    key.chmod(0o600)
    return chain, key


@contextmanager
def mosquitto(folder: Path, more: str = "") -> Iterator[Mosquitto]:
    """A running mosquitto, ended at the end of the block."""
    server = Mosquitto(folder, more)
    server.start()
    try:
        yield server
    finally:
        server.stop(signal.SIGKILL)


_IOTCORE_LISTENER = """
[{kind}.1]
name = "{kind}"
listen = "127.0.0.1:{port}"
next_connection_delay_ms = 1
[{kind}.1.connections]
connection_timeout_ms = 5000
max_payload_size = 131072
max_inflight_count = 100
"""


@contextmanager
def iotcore_broker(folder: Path) -> Iterator[tuple[int, int]]:
    """A running iotcore broker without passwords. Gives its port for MQTT 5 and its port for MQTT 3.1.1."""
    v5_port, v4_port = free_port(), free_port()
    config = folder / "iotcore.toml"
    config.write_text(
        "id = 0\n[router]\nid = 0\nmax_connections = 100\nmax_outgoing_packet_count = 200\n"
        "max_segment_size = 1048576\nmax_segment_count = 10\n"
        + _IOTCORE_LISTENER.format(kind="v5", port=v5_port)
        + _IOTCORE_LISTENER.format(kind="v4", port=v4_port)
    )
    with iotcore.Broker(config_path=str(config)):
        yield v5_port, v4_port
