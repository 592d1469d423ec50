"""What a running daemon takes: resident memory with three vessels, and the time from start to the first command.

    python -m tests.bench.run_footprint

Asked for: under 60 MB resident, under 1 s to the first command. Needs mosquitto. The example site file runs as
its users run it, `cellarhand run --site FILE`; a second client notes when the first command arrives.
"""

import asyncio
import os
import signal
import sys
import tempfile
from pathlib import Path
from statistics import median
from time import monotonic

import aiomqtt

from tests.servers import PASSWORD, USER, Mosquitto, free_port, mosquitto

EXAMPLE = Path(__file__).parents[2] / "deploy" / "example-site.yaml"
READINGS = '{"cone-120": 18.2, "keg-50": 18.9, "pilot-20": 20.1, "bath": -3.0}'
ROUNDS, SETTLE_S = 5, 12.0


def site_file(folder: Path, server: Mosquitto) -> Path:
    """The example, pointed at the test's broker."""
    secret = folder / "password"
    secret.write_text(PASSWORD)
    secret.chmod(0o600)
    text = EXAMPLE.read_text()
    text = text.replace("port: 1883", f"port: {server.port}\n  user: {USER}\n  password_file: password")
    text = text.replace("port: 8080", f"port: {free_port()}")
    path = folder / "site.yaml"
    path.write_text(text)
    return path


def resident_mb(pid: int) -> float:
    """VmRSS of a process (proc(5))."""
    line = next(row for row in Path(f"/proc/{pid}/status").read_text().splitlines() if row.startswith("VmRSS"))
    return int(line.split()[1]) / 1000.0


async def one_start(folder: Path, server: Mosquitto, settle_s: float) -> tuple[float, float]:
    """Seconds to the first command, and resident MB after `settle_s`."""
    async with aiomqtt.Client("127.0.0.1", server.port, username=USER, password=PASSWORD) as stranger:
        await stranger.subscribe("cellar/relay1/set")
        began = monotonic()
        daemon = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "controller", "run", "--site", str(site_file(folder, server)),
            stderr=asyncio.subprocess.DEVNULL,
        )  # fmt: skip
        try:
            async with asyncio.timeout(20):
                await anext(aiter(stranger.messages))
            first_s = monotonic() - began
            for _ in range(round(settle_s)):
                await stranger.publish("cellar/probes", READINGS)
                await asyncio.sleep(1)
            return first_s, resident_mb(daemon.pid)
        finally:
            os.kill(daemon.pid, signal.SIGTERM)
            await daemon.wait()


def main() -> None:
    firsts, sizes = [], []
    for round_ in range(ROUNDS):
        with tempfile.TemporaryDirectory() as name, mosquitto(Path(name)) as server:
            first_s, size_mb = asyncio.run(one_start(Path(name), server, SETTLE_S if round_ == 0 else 3.0))
        firsts.append(first_s)
        sizes.append(size_mb)
    print(f"first command after {median(firsts):.2f} s (median of {ROUNDS}, worst {max(firsts):.2f}; asked for: 1 s)")
    print(f"resident {max(sizes):.0f} MB at most (asked for: 60 MB)")


if __name__ == "__main__":
    main()
