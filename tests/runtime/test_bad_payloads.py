"""Whatever arrives on a probe's topic, a real daemon goes on; what is no reading is counted by its reason."""

import json
import time
from pathlib import Path

import pytest

from tests.runtime.daemons import KEG_COOLER, PROBES, Cellar, Daemon, example_site, until
from tests.servers import Mosquitto

pytestmark = pytest.mark.servers

TIMED = ("pointer: /keg-50\n        unit: C\n        reports_every: 10 s",
         "pointer: /keg-50\n        time_pointer: /at\n        unit: C\n        reports_every: 2 s")  # fmt: skip
FAILED = 'cellarhand_signal_status{probe="keg-50/side",site="cellar",status="failure"}'


def a_reading(at_s: float) -> str:
    """Ice cold, which would end the cooling at once if it were believed."""
    return json.dumps({"keg-50": 2.0, "cone-120": 18.0, "pilot-20": 18.0, "bath": -3.0, "at": at_s})


def bad_payloads() -> dict[str, bytes | str]:
    """One message for each reason for which a payload may be refused; the keys are the labels of the counter."""
    return {
        "not finite": '{"keg-50": NaN}',
        "not json": "sensor error",
        "not utf-8": b"\xff\xfe2.0",
        "too large": "2" * 100_000,
        "nested too deep": "[" * 50_000,
        "pointer not found": '{"keg-51": 2.0}',
        "not a number": '{"keg-50": "cold"}',
        "impossible temperature": '{"keg-50": -300.0}',
        "time not found": '{"keg-50": 2.0}',
        "time unreadable": '{"keg-50": 2.0, "at": "yesterday"}',
        "time in milliseconds": a_reading(time.time() * 1000.0),
        "too old": a_reading(time.time() - 3600.0),
        "from the future": a_reading(time.time() + 3600.0),
    }


def refused(daemon: Daemon, reason: str) -> float:
    return daemon.metrics().get(f'cellarhand_messages_refused_total{{reason="{reason}"}}', 0.0)


def test_bad_payloads_change_no_output_and_are_counted_by_reason(
    tmp_path: Path, server: Mosquitto, cellar: Cellar
) -> None:
    with Daemon(example_site(tmp_path, server.port, TIMED)) as daemon:
        daemon.wait_until_scanning()
        daemon.say("start", "keg-50", "--batch", "Water", "--setpoint", "8 C")
        until(lambda: cellar.is_on(KEG_COOLER), "the cooler's on")
        began = len(cellar.orders(KEG_COOLER))
        for reason, payload in bad_payloads().items():
            before = refused(daemon, reason)
            cellar.publish(PROBES, payload)
            until(lambda reason=reason, before=before: refused(daemon, reason) > before, reason)  # type: ignore[misc]
        cellar.publish(PROBES, "2" * 1_000_000)  # the broker itself keeps this from us: MQTT 5.0, 3.1.2.11.4
        scans = daemon.metrics()["cellarhand_scans_total"]
        until(lambda: daemon.metrics()["cellarhand_scans_total"] >= scans + 2, "two more scans")
        assert False not in cellar.orders(KEG_COOLER)[began:]
        assert daemon.metrics()[FAILED] == 0.0

        cellar.reporting = False  # from here on nothing but rubbish
        for payload in bad_payloads().values():
            cellar.publish(PROBES, payload)
        until(lambda: daemon.metrics()[FAILED] == 1.0, "the signal's failure")
        until(lambda: not cellar.is_on(KEG_COOLER), "the cooler's off")
        assert daemon.end() == 0
        assert "Traceback" not in daemon.log()


def test_a_reading_that_the_broker_kept_does_not_make_a_signal_good(
    tmp_path: Path, server: Mosquitto, cellar: Cellar
) -> None:
    cellar.reporting = False
    cellar.publish(PROBES, a_reading(time.time()), retain=True)
    with Daemon(example_site(tmp_path, server.port, TIMED)) as daemon:
        daemon.wait_until_scanning()
        until(lambda: refused(daemon, "retained") == 4.0, "one refusal for each probe on the topic")
        assert daemon.metrics()[FAILED] == 1.0
        cellar.reporting = True
        until(lambda: daemon.metrics()[FAILED] == 0.0, "a good signal")
