"""What the service itself suffers from stands above everything else that it shows."""

import json

import pytest
from rich.console import Console

from controller.hmi.service_health import service_dict, troubles, unheard
from controller.hmi.shell import Pulse
from controller.hmi.status import status_dict
from controller.hmi.table import status_table, warning_texts
from controller.hmi.words import Json
from tests.hmi.factories import BERLIN, busy_cellar, site

WELL = Pulse(4.0, 5.0, True, "")
MISTYPED = "no device listens to cellar/relya1/set"
AWAY = WELL._replace(broker_connected=False, trouble="nothing answers at nas:1883: is the broker running?")
TAKEN_OVER = AWAY._replace(undrivable="another daemon drives this site: this one no longer drives anything")
UNHEARD = WELL._replace(outputs_without_device={"ale/heater": MISTYPED, "lager/cooler": MISTYPED})
FULL = WELL._replace(store_fault="the disk is full")
STANDS_STILL = WELL._replace(since_scan_s=40.0)


def status(pulse: Pulse) -> Json:
    found = json.loads(json.dumps(status_dict(site(), busy_cellar(), BERLIN, pulse=pulse), allow_nan=False))
    assert isinstance(found, dict)
    return found


def first_line(pulse: Pulse) -> str:
    console = Console(width=200, force_terminal=False, color_system=None)
    with console.capture() as captured:
        console.print(status_table(status(pulse)))
    return captured.get().splitlines()[0].rstrip()


def test_a_service_that_is_well_says_nothing_above_the_cellar() -> None:
    assert first_line(WELL).startswith("cellar, ")


@pytest.mark.parametrize(
    ("pulse", "warning"),
    [
        pytest.param(
            AWAY,
            "! no readings come in and no commands go out: nothing answers at nas:1883: is the broker running?",
            id="the broker is away",
        ),
        pytest.param(
            TAKEN_OVER,
            "! another daemon drives this site: this one no longer drives anything",
            id="another daemon has taken over",
        ),
        pytest.param(UNHEARD, f"! ale/heater does not get its commands: {MISTYPED}", id="a mistyped topic"),
        pytest.param(FULL, "! nothing is stored, the vessels are controlled on: the disk is full", id="a full disk"),
        pytest.param(
            STANDS_STILL,
            "! no scan for 40 s; there should be one every 5 s: nothing is regulated",
            id="the scan stands still",
        ),
        pytest.param(WELL._replace(since_scan_s=None), "! no scan yet: nothing is regulated", id="before the first"),
    ],
)
def test_what_is_not_well_is_the_first_line_of_the_status(pulse: Pulse, warning: str) -> None:
    assert first_line(pulse) == warning


def test_programs_read_the_same_as_data() -> None:
    assert status(UNHEARD)["service"] == {
        "connected": True,
        "trouble": "",
        "undrivable": "",
        "outputs_without_device": {"ale/heater": MISTYPED, "lager/cooler": MISTYPED},
        "store_fault": "",
        "live": True,
        "since_scan_s": 4.0,
        "scan_s": 5.0,
    }
    assert status(AWAY)["service"]["trouble"] == AWAY.trouble
    assert status(WELL._replace(since_scan_s=float("nan")))["service"]["live"] is False


def test_the_detail_of_a_vessel_leaves_out_the_outputs_of_its_neighbours() -> None:
    seen = status(UNHEARD._replace(store_fault="the disk is full"))
    lines = [text.plain for text in warning_texts(seen, "ale")]
    assert lines == [
        "! nothing is stored, the vessels are controlled on: the disk is full",
        f"! ale/heater does not get its commands: {MISTYPED}",
    ]


def test_without_a_connection_no_single_output_is_blamed() -> None:
    for pulse in (AWAY, TAKEN_OVER):
        service = service_dict(pulse._replace(outputs_without_device=UNHEARD.outputs_without_device))
        assert list(troubles(service)) == ["broker"]
        assert unheard(service) == []


def test_an_older_daemon_that_tells_nothing_of_itself_is_shown_as_before() -> None:
    older = {key: value for key, value in status(WELL).items() if key != "service"}
    assert warning_texts(older) == []
