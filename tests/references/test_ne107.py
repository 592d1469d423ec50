"""Health of a signal by NAMUR NE 107 (2006, self-monitoring and diagnosis of field devices): four letters.

Letters, names and what each says of the signal are as operating instructions of several makers of field devices print
them; the recommendation itself was not read. What each may drive is design rule 2, which follows from the validity:
an invalid signal drives nothing, an uncertain one only what cannot overheat, a valid one everything.
"""

import pytest

from controller.control.doubt import OUT_OF_WELL, STUCK
from controller.control.estimate import estimate
from controller.control.site import Place, Probe
from controller.control.state import NEVER, NO_ESTIMATE, SiteState
from controller.control.step import step
from controller.control.trust import fit_to_drive, trust
from controller.control.values import Drive, Inputs, Reading, Signal, Status
from tests.factories import SCAN_S, UTC_S, running_state, site, vessel

# Letter: name, what it says of the signal.
NE_107 = {
    "F": ("failure", "invalid"),
    "C": ("function check", "temporarily invalid"),
    "S": ("out of specification", "uncertain"),
    "M": ("maintenance required", "valid"),
}
MAY_DRIVE = {
    "invalid": Drive.NOTHING,
    "temporarily invalid": Drive.NOTHING,
    "uncertain": Drive.COOLING,
    "valid": Drive.BOTH,
}
PROBE = Probe("ale/well", Place.THERMOWELL, 30.0)
GOOD = Signal(19.0, 100.0, Status.GOOD, "")


def test_the_four_letters_are_those_and_good_is_none_of_them() -> None:
    assert {status.value: status.name.lower().replace("_", " ") for status in Status if status is not Status.GOOD} == {
        letter: name if letter != "M" else "maintenance" for letter, (name, _) in NE_107.items()
    }
    assert Status.GOOD.value not in NE_107


@pytest.mark.parametrize("letter", NE_107)
def test_what_a_signal_drives_follows_from_what_its_letter_says_of_it(letter: str) -> None:
    signal = Signal(19.0, 100.0, Status(letter), "a cause")
    drive = MAY_DRIVE[NE_107[letter][1]]
    assert estimate([signal], NO_ESTIMATE, 5.0, False).drive is drive
    assert fit_to_drive(signal) is (drive is not Drive.NOTHING)


@pytest.mark.parametrize(
    ("reading", "letter"),
    [
        (None, "F"),  # nothing heard for too long: the device or its line has failed
        (Reading(-127.0, 200.0), "F"),  # the driver says that there is no device
        (Reading(300.0, 200.0), "F"),  # no such sensor can say that
        (Reading(85.0, 200.0), "C"),  # a power-on value: the device is not measuring yet
        (Reading(55.0, 200.0), "C"),  # first of all, a jump that cannot be
    ],
)
def test_which_letter_a_probe_gets(reading: Reading | None, letter: str) -> None:
    signal = trust(PROBE, GOOD, reading, 200.0)
    if reading is not None and reading.celsius == 55.0:  # it came to stay
        signal = trust(PROBE, signal, Reading(55.0, 201.0), 201.0)
    assert signal.status is Status(letter)
    assert signal.cause
    assert signal.celsius is not None


@pytest.mark.parametrize("cause", [STUCK, OUT_OF_WELL])
@pytest.mark.parametrize("reading", [Reading(19.0, 200.0), None], ids=["a reading", "between readings"])
def test_a_probe_that_sits_still_or_out_of_its_well_is_a_failure_however_plausible_it_reads(
    cause: str, reading: Reading | None
) -> None:
    """The number is plausible, the signal is invalid all the same: it says nothing of the wort any more."""
    signal = trust(PROBE, GOOD._replace(at_s=199.0), reading, 200.0, cause)
    assert (signal.status, signal.cause) == (Status("F"), cause)
    assert MAY_DRIVE[NE_107["F"][1]] is estimate([signal], NO_ESTIMATE, 5.0, False).drive is Drive.NOTHING


def test_a_temperature_beyond_what_a_fermenter_holds_is_uncertain() -> None:
    assert trust(PROBE, NEVER, Reading(45.0, 200.0), 200.0).status is Status.OUT_OF_SPECIFICATION


def test_an_invalid_signal_switches_the_heater_off_in_the_scan_in_which_it_is_found() -> None:
    cellar = site(vessel("ale"))
    state: SiteState = running_state(cellar, 17.0, scans=400)
    while not state.vessels["ale"].heater.on:
        now_s = state.now_s + SCAN_S
        state = step(cellar, state, Inputs(now_s, UTC_S + now_s, {"ale/well": Reading(17.0, now_s)})).state
    now_s = state.now_s + SCAN_S
    result = step(cellar, state, Inputs(now_s, UTC_S + now_s, {"ale/well": Reading(85.0, now_s)}))
    assert result.state.signals["ale/well"].status is Status.FUNCTION_CHECK
    assert [(command.tag, command.on) for command in result.commands] == [("ale/heater", False)]
