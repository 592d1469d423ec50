"""One vessel in detail, as a brewer in front of it wants to see it."""

import json
from pathlib import Path

import pytest

from controller.control.identification import Experiment, Finding, Identification, Method, Phase
from controller.control.process_fit import Fit
from controller.control.state import AlarmPhase, SiteState
from controller.control.values import Record, RecordKind, Signal, Status
from controller.display import Display
from controller.hmi.status import status_dict
from tests.cli_terminal import FAULTY, REFUSED, Terminal, listening
from tests.hmi.factories import BERLIN, CHICAGO, HOUR, NOW_S, busy_cellar, empty_cellar, site, with_alarm

UTC_S = 1_780_000_000.0


@pytest.fixture
def shown(tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch):  # type: ignore[no-untyped-def]
    """What `status` and these words show of a cellar, its lines without their padding."""
    monkeypatch.setenv("COLUMNS", "120")

    def show(words: str, state: SiteState, display: Display = BERLIN, *records: Record) -> list[str]:
        status = json.loads(json.dumps(status_dict(site(), state, display, records)))
        with listening(tmp_path, lambda request: {"status": status}) as (path, _):
            answer = Terminal(path, capsys).does(f"status|{words}")
        path.unlink()
        return [" ".join(line.split()) for line in answer.splitlines() if line.strip()]

    return show


def test_a_vessel_that_ferments_tells_wort_batch_outputs_and_probes(shown) -> None:  # type: ignore[no-untyped-def]
    lines = shown("ale", busy_cellar())
    assert lines[0].startswith("ale, 2026-05-28 22:26:40 CEST")  # 1.78e9 s after 1970-01-01, by date(1)
    assert "wort 19.2 °C, steady" in lines
    assert "setpoint 19.0 °C, off by +0.2 K" in lines
    assert any(line.startswith("batch House Pale: running, auto") for line in lines)
    assert "volume 25 L, OG 1.048, yeast dry ale yeast, profile clean-ale" in lines
    assert any(line.startswith("outputs cooler ON 90 s") and line.endswith("above the setpoint") for line in lines)
    assert "probes ale/well good, 19.2 °C, 3 s ago" in lines
    assert "alarms none" in lines


def test_it_speaks_the_persons_units(shown) -> None:  # type: ignore[no-untyped-def]
    lines = shown("ale", busy_cellar(), CHICAGO)
    assert "wort 66.6 °F, steady" in lines
    assert "setpoint 66.2 °F, off by +0.4 °F" in lines
    assert any(line.startswith("volume 6.6 gal, OG 1.048") for line in lines)  # US gallons of 3.785 L


def test_an_alarm_comes_with_what_to_do(shown) -> None:  # type: ignore[no-untyped-def]
    state = with_alarm(busy_cellar(), "ale/prompt", "Yeast pitched?", AlarmPhase.ACKNOWLEDGED)
    lines = shown("ale", state)
    (alarm,) = [line for line in lines if line.startswith("alarms ")]
    assert alarm.endswith("): Yeast pitched?")
    assert "active, acknowledged" in alarm
    assert "what to do: do what the step asks for, then confirm" in lines


def test_a_dead_probe_says_why(shown) -> None:  # type: ignore[no-untyped-def]
    state = busy_cellar()
    dead = Signal(None, NOW_S - 900.0, Status.FAILURE, "no reading for 15 min")
    lines = shown("ale", state._replace(signals={**state.signals, "ale/well": dead}))
    assert "probes ale/well failure, –: no reading for 15 min" in lines


def test_an_empty_vessel_says_so(shown) -> None:  # type: ignore[no-untyped-def]
    lines = shown("lager", empty_cellar())
    assert lines[0] == "lager, UTC not known yet"
    assert "batch no batch: everything off" in lines


def test_what_happened_here_is_told_once_and_nothing_of_the_neighbours(shown) -> None:  # type: ignore[no-untyped-def]
    def record(vessel: str, kind: RecordKind, value: str, reason: str, who: str = "") -> Record:
        return Record(NOW_S, UTC_S, vessel, kind, "mode", value, reason, who)

    lines = shown(
        "ale",
        busy_cellar(),
        BERLIN,
        record("ale", RecordKind.MODE, "off", "mode off", "command line, ann"),
        record("ale", RecordKind.ACTION, "done", "mode off", "command line, ann"),
        record("lager", RecordKind.ACTION, "done", "mode auto", "command line, ann"),
    )
    assert [line for line in lines if "mode off" in line] == [
        "recently 2026-05-28 22:26:40 CEST mode off (command line, ann)"
    ]
    assert not any("mode auto" in line for line in lines)


def test_codes_in_a_name_do_not_act_on_the_terminal(shown) -> None:  # type: ignore[no-untyped-def]
    state = with_alarm(busy_cellar(), "ale/prompt", "\x1b[2J[bold]Pitched?")
    lines = shown("ale", state)
    assert not any("\x1b" in line for line in lines)
    assert any("[bold]Pitched?" in line for line in lines)


def test_a_vessel_that_is_not_there_is_answered_with_the_nearest(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with listening(tmp_path, lambda request: {"status": status_dict(site(), empty_cellar(), BERLIN)}) as (path, _):
        for name, right in (("lagre", "lager"), ("fv1", "ale, lager")):
            code, out, err = Terminal(path, capsys).says(f"status|{name}")
            assert (code, out) == (FAULTY, "")
            assert err == f'found the vessel "{name}"; right would be {right}; nothing was changed'


FIT = Fit(1e-5, None, 210.0, 40.0, 0.04, 17.0, 0.01, 0.67, 1e-5)
FOUND = Finding(Method.STEP, NOW_S - HOUR, UTC_S - HOUR, "House Pale", 18.8, True, FIT, 0.83, 740.0, 67.5, 5900.0,
                212.0, 2960.0, 1200.0)  # fmt: skip
TRIED = Experiment(Method.RELAY, NOW_S - HOUR, UTC_S - HOUR, 19.0, "running", "House Pale", 300.0, 40.0, 120_000.0,
                   Phase.SWINGS, NOW_S - 600.0, 19.0)  # fmt: skip


def identified(found: Identification) -> SiteState:
    state = busy_cellar()
    return state._replace(vessels={**state.vessels, "ale": state.vessels["ale"]._replace(identification=found)})


def test_a_test_that_is_under_way_says_how_far_and_how_long(shown) -> None:  # type: ignore[no-untyped-def]
    lines = shown("ale", identified(Identification(TRIED, FOUND)))
    assert any(
        line.startswith("relay test, within 1.5 K of 19.0 °C, for another 11 h") and "swings" in line for line in lines
    )


def test_what_was_found_is_named_and_where_it_is_printed(shown) -> None:  # type: ignore[no-untyped-def]
    text = " ".join(shown("ale", identified(Identification(None, FOUND))))
    assert "identified by a step test, 21:26: gain 68 W/K, integral time 98.3 min" in text
    assert "cellarhand identify ale" in text
    broken = shown("ale", identified(Identification(None, None, "the mode is manual now")))
    assert any(line.endswith("the mode is manual now") for line in broken)


@pytest.mark.parametrize(
    ("display", "temperature", "left"), [(BERLIN, "18.8 °C", "0.01 K rms"), (CHICAGO, "65.8 °F", "°F rms")]
)
def test_identify_alone_prints_the_fragment_in_the_persons_units(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], display: Display, temperature: str, left: str
) -> None:
    status = json.loads(json.dumps(status_dict(site(), identified(Identification(None, FOUND)), display)))
    with listening(tmp_path, lambda request: {"status": status}) as (path, heard):
        text = Terminal(path, capsys).does("identify|ale")
        none = Terminal(path, capsys).says("identify|lager")
    assert [request["do"] for request in heard] == ["status", "status"]  # nothing else is asked of the daemon
    assert temperature in text
    assert left in text
    assert "sure to 4 %" in text
    assert "Nothing was written" in text
    assert text.endswith("loop:\n  kind: pid\n  gain: 68 W/K\n  integral: 98.3 min\n  cycle: 20 min")
    assert none == (REFUSED, "", "lager has no identification to show; begin one with `step` or `relay`")


def test_identify_asks_for_a_vessel_that_there_is(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status = json.loads(json.dumps(status_dict(site(), busy_cellar(), BERLIN)))
    with listening(tmp_path, lambda request: {"status": status}) as (path, _):
        code, _, err = Terminal(path, capsys).says("identify|stout")
    assert code == FAULTY
    assert "ale, lager" in err
