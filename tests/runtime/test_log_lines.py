"""The daemon's log tells a record in the same words as `cellarhand log`."""

import logging
from dataclasses import replace
from pathlib import Path

import pytest

from controller.config import load_installation
from controller.control.state import AlarmPhase
from controller.control.step import StepResult
from controller.control.values import Record, RecordKind
from controller.display import Display
from controller.journal import Journal
from controller.record_lines import record_lines
from tests.runtime.daemons import example_site


@pytest.mark.parametrize("display", [Display(), Display("F", "gal")])
def test_the_log_of_the_daemon_and_the_log_of_the_cellar_say_the_same(
    tmp_path: Path, caplog: pytest.LogCaptureFixture, display: Display
) -> None:
    installation = replace(load_installation(example_site(tmp_path, 1883)), display=display)

    def record(kind: RecordKind, subject: str, value: str, reason: str, who: str = "") -> Record:
        return Record(60.0, None, "keg-50", kind, subject, value, reason, who)

    records = (
        record(RecordKind.ALARM, "deviation", AlarmPhase.UNACKNOWLEDGED.value, "+2.0 K from the setpoint"),
        record(RecordKind.HEALTH, "side", "F", "no reading for 60 s"),
        record(RecordKind.LIMIT, "cooler", "held off", "the wort is at 0.0 °C"),
        record(RecordKind.MODE, "mode", "off", "mode off", "command line, ann"),
    )
    journal = Journal(installation)
    state = journal.begin(installation.site)
    with caplog.at_level(logging.INFO):
        journal.keep(StepResult(state, (), records))
    journal.close(installation.site, state)
    said = [message.removeprefix("keg-50: ") for message in caplog.messages if message.startswith("keg-50: ")]
    read = [line.split("keg-50  ")[1] for line in record_lines(records, display) if "keg-50" in line]
    assert said == read
    assert ("+3.6 °F" if display.temperature == "F" else "+2.0 K") in said[0]
    assert said[3] == "mode off (command line, ann)"
