"""A broker for the demo on a free loopback port: mosquitto with a password if it is on the PATH, else iotcore."""

import asyncio
import secrets
import shutil
import socket
import subprocess
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

from controller.installation import Broker

USER = "cellarhand"
UP_WITHIN_S = 10.0


class NoBroker(Exception):
    """There is no broker to run the demo on; the text says how to get one."""


@asynccontextmanager
async def demo_broker(directory: Path) -> AsyncIterator[tuple[str, Broker]]:
    """A running broker, its program's name first, whose files lie in `directory`; it ends with the context.

    Raises:
        NoBroker: neither mosquitto nor iotcore is installed, or the one that is did not start.
    """
    port = _free_port()
    mosquitto = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")
    maker = shutil.which("mosquitto_passwd")
    if mosquitto and maker:
        password = secrets.token_urlsafe(16)
        async with _mosquitto(mosquitto, maker, directory, port, password):
            yield "mosquitto", Broker("127.0.0.1", port, USER, password, "cellarhand-demo")
    else:
        async with _iotcore(directory, port):
            yield "iotcore", Broker("127.0.0.1", port, None, None, "cellarhand-demo")


@asynccontextmanager
async def _mosquitto(program: str, maker: str, directory: Path, port: int, password: str) -> AsyncIterator[None]:
    passwords, configuration = directory / "passwords", directory / "mosquitto.conf"
    subprocess.run([maker, "-b", "-c", str(passwords), USER, password], check=True, capture_output=True)
    passwords.chmod(0o644)  # mosquitto gives up root before it reads it
    directory.chmod(0o755)
    configuration.write_text(
        f"listener {port} 127.0.0.1\nallow_anonymous false\npassword_file {passwords}\n"
        "persistence false\nset_tcp_nodelay true\nmax_inflight_messages 0\nlog_dest stderr\nlog_type error\n"
    )
    broker = await asyncio.create_subprocess_exec(
        program, "-c", str(configuration), stdout=subprocess.DEVNULL, stderr=subprocess.PIPE,
        start_new_session=True,  # Ctrl-C is for the demo, which still needs its broker to switch everything off
    )  # fmt: skip
    try:
        await _answers(port, broker)
        yield
    finally:
        if broker.returncode is None:
            broker.terminate()
        await broker.wait()


@asynccontextmanager
async def _iotcore(directory: Path, port: int) -> AsyncIterator[None]:
    try:
        import iotcore
    except ImportError:
        raise NoBroker(
            "the demo needs a broker: install mosquitto (Debian: apt install mosquitto), "
            "or this package with its extra: pip install 'cellarhand[demo]'; nothing was started"
        ) from None
    configuration = directory / "iotcore.toml"
    configuration.write_text(
        "id = 0\n[router]\nid = 0\nmax_connections = 16\nmax_outgoing_packet_count = 200\n"
        "max_segment_size = 1048576\nmax_segment_count = 10\n"
        f'[v5.1]\nname = "demo"\nlisten = "127.0.0.1:{port}"\nnext_connection_delay_ms = 1\n'
        "[v5.1.connections]\nconnection_timeout_ms = 5000\nmax_payload_size = 131072\nmax_inflight_count = 200\n"
    )
    with iotcore.Broker(config_path=str(configuration)):
        await _answers(port, None)
        yield


async def _answers(port: int, broker: asyncio.subprocess.Process | None) -> None:
    """Wait until the broker accepts connections."""
    for _ in range(round(UP_WITHIN_S / 0.02)):
        if broker is not None and broker.returncode is not None:
            complaint = await broker.stderr.read() if broker.stderr else b""
            raise NoBroker(f"mosquitto did not start: {complaint.decode(errors='replace').strip()}")
        try:
            _, writer = await asyncio.open_connection("127.0.0.1", port)
        except OSError:
            await asyncio.sleep(0.02)
            continue
        writer.close()
        return
    raise NoBroker(f"the broker did not answer on 127.0.0.1:{port} within {UP_WITHIN_S:.0f} s")


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])
