"""Nothing holds up the end of the daemon: neither a broker that hangs, nor a part of it that is slow to end."""

import asyncio
import subprocess
import sys
from collections.abc import Collection
from pathlib import Path
from typing import Any

import pytest

from controller import runtime
from controller.config import load_installation
from controller.hmi.operator_socket import OperatorSocket
from controller.outputs import Outputs
from controller.shutdown import to_the_end
from tests.runtime.daemons import ROOT, Cellar, example_site, until
from tests.servers import Mosquitto

A_CALL_THAT_NEVER_RETURNS = """
import asyncio, threading
from controller.shutdown import Unjoined

async def main():
    asyncio.get_running_loop().set_default_executor(Unjoined())
    assert await asyncio.to_thread(lambda: 7) == 7
    connecting = asyncio.create_task(asyncio.to_thread(threading.Event().wait))
    await asyncio.sleep(0)
    connecting.cancel()

asyncio.run(main())
print("the end")
"""


def test_a_connection_that_hangs_while_it_is_made_does_not_keep_the_process() -> None:
    ended = subprocess.run(
        [sys.executable, "-c", A_CALL_THAT_NEVER_RETURNS], cwd=ROOT, capture_output=True, text=True, timeout=60
    )
    assert (ended.returncode, ended.stdout, ended.stderr) == (0, "the end\n", "")


def test_whoever_waits_for_the_last_off_waits_for_all_of_it() -> None:
    async def main() -> list[str]:
        told: list[str] = []
        confirmed = asyncio.Event()

        async def off() -> None:
            await confirmed.wait()
            told.append("off, confirmed")

        waiting = asyncio.create_task(to_the_end(asyncio.create_task(off())))
        await asyncio.sleep(0)
        waiting.cancel()
        await asyncio.sleep(0)
        told.append("somebody is in a hurry")
        confirmed.set()
        await waiting
        return told

    assert asyncio.run(main()) == ["somebody is in a hurry", "off, confirmed"]


@pytest.mark.servers
def test_the_other_parts_end_while_a_broker_that_hangs_is_waited_for(
    tmp_path: Path, server: Mosquitto, cellar: Cellar, monkeypatch: pytest.MonkeyPatch
) -> None:
    order: list[str] = []
    switch_off = Outputs.switch_off

    async def serve(self: OperatorSocket) -> None:
        try:
            await asyncio.Event().wait()
        finally:
            order.append("the operators' door is shut")

    async def watched(self: Outputs, tags: Collection[str], *others: Any) -> bool:
        order.append("all off")
        confirmed = await switch_off(self, tags, *others)
        order.append(f"confirmed: {confirmed}")
        return confirmed

    monkeypatch.setattr(OperatorSocket, "serve", serve)
    monkeypatch.setattr(Outputs, "switch_off", watched)

    async def main() -> None:
        stop = asyncio.Event()
        service = runtime.Service(load_installation(example_site(tmp_path, server.port)))
        running = asyncio.create_task(service.run(stop))
        await asyncio.to_thread(until, lambda: service.link.connected and service._scans, "the first scan")
        server.freeze()
        stop.set()
        await running
        server.thaw()

    asyncio.run(main())
    assert order == ["all off", "the operators' door is shut", "confirmed: False"]
