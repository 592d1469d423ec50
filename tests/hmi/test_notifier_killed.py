"""A power cut at the worst moment: the message has left, and the service dies before it can write that down."""

import json
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from tests.hmi.http_sink import sink

SERVICE = """
import asyncio, os, signal, sys, time
from pathlib import Path
from controller.control.state import AlarmPhase, AlarmState
from controller.control.step import StepResult
from controller.hmi.notifier import Notifier
from controller.hmi.notifier_send import send
from controller.installation import Notifications, Target
from tests.hmi.factories import busy_cellar
from tests.hmi.told_cellar import DISPLAY, PLANT

url, state_dir, dies = sys.argv[1], Path(sys.argv[2]), sys.argv[3] == "dies"

def send_and_die(*parcel):
    send(*parcel)
    os.kill(os.getpid(), signal.SIGKILL)

async def brew():
    target = Target("phone", url, "low")
    deliver = send_and_die if dies else send
    notifier = Notifier(Notifications((target,)), DISPLAY, "cellar", state_dir, None, send=deliver)
    work = asyncio.create_task(notifier.run())
    alarm = AlarmState(AlarmPhase.UNACKNOWLEDGED, 0.0, 0.0, "29.1 °C is above 28.0 °C")
    for now_s in (0.0, 5.0, 100.0):
        state = busy_cellar(PLANT)._replace(now_s=now_s, alarms={"ale/high": alarm}, outage_since_s=None)
        notifier.see(PLANT, StepResult(state, (), ()))
    while notifier.counts()["sent"] == 0:
        await asyncio.sleep(0.001)
    work.cancel()
    await notifier.close()

asyncio.run(brew())
"""


def test_a_service_killed_right_after_sending_sends_again_and_then_no_more(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("no_proxy", "127.0.0.1")

    def run(url: str, how: str) -> int:
        done = subprocess.run([sys.executable, "-c", SERVICE, url, str(tmp_path), how], timeout=60, check=False)
        return done.returncode

    with sink() as phone:
        assert run(phone.url, "dies") == -signal.SIGKILL
        assert run(phone.url, "lives") == 0
        first, second = (json.loads(phone.next().body) for _ in range(2))
        assert phone.got.empty()
    assert first["title"] == second["title"] == "cellar: ale: the wort is above its absolute high limit"
    assert json.loads((tmp_path / "outbox.json").read_text())["waiting"] == []
