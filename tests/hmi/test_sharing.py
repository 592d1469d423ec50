"""What the brewer is told where the bath is short: who waits for whom, and until about when."""

import pytest
from rich.console import Console

from controller.control.site import Site
from controller.control.state import Sharing, SiteState
from controller.control.values import Estimate, Setpoint, Signal, Status
from controller.display import Display
from controller.hmi.sharing import bath_wait
from controller.hmi.status import status_dict
from controller.hmi.table import batch_lines, status_table
from controller.hmi.words import Json
from tests.factories import running_state, site, vessel

ALE, LAGER = vessel("ale"), vessel("lager")
CELLAR = site(ALE, LAGER)


def cellar_with(sharing: Sharing, rate_k_per_h: float = -0.5, bath_c: float = 0.0) -> SiteState:
    state = running_state(CELLAR, scans=1)
    wort: Estimate = state.vessels["lager"].estimate._replace(celsius=10.0, rate_k_per_h=rate_k_per_h)
    lager = state.vessels["lager"]._replace(estimate=wort, setpoint=Setpoint(2.0, 2.0))
    signals = {**state.signals, "bath/supply": Signal(bath_c, state.now_s, Status.GOOD, "")}
    return state._replace(sharing=sharing, vessels={**state.vessels, "lager": lager}, signals=signals)


def shown(status: Json) -> str:
    console = Console(width=100, no_color=True)
    with console.capture() as capture:
        console.print(status_table(status))
    return capture.get()


def text(state: SiteState, cellar: Site = CELLAR) -> str:
    told = bath_wait(cellar, LAGER, state, Display())
    assert told is not None
    return str(told["text"])


def test_a_crash_that_gets_a_part_is_told_for_whom_it_waits_and_when_it_will_be_done() -> None:
    state = cellar_with(Sharing(0.0, {"lager": 0.4}, ("ale",)))
    told = bath_wait(CELLAR, LAGER, state, Display())
    assert told is not None
    assert (told["share"], told["behind"], told["done_s"], told["turn_s"]) == (0.4, ["ale"], 16 * 3600.0, None)
    assert told["text"].startswith(
        "waits for ale: the bath is short of cold, it gets 40 % of what it asks for; done about "
    )
    assert text(state._replace(utc_s=None)).endswith("; done in about 16 h at this pace")
    assert bath_wait(CELLAR, ALE, state, Display()) is None


def test_where_nothing_moves_no_time_is_promised() -> None:
    state = cellar_with(Sharing(0.0, {"lager": 0.4}, ("ale",)), rate_k_per_h=0.0)
    assert text(state) == "waits for ale: the bath is short of cold, it gets 40 % of what it asks for"


def test_a_crash_that_gets_nothing_is_told_when_its_turn_comes_at_the_latest() -> None:
    state = cellar_with(Sharing(0.0, {"lager": 0.0}, ("ale",), 1.0), bath_c=3.0)._replace(utc_s=None)
    assert text(state) == (
        "waits for ale: the bath is short of cold; its turn comes in about 4.4 h at the latest, "
        "if the bath becomes no warmer"
    )


def test_who_waits_for_another_crash_is_told_whose_turn_it_is() -> None:
    waits = Sharing(0.0, {"porter": 0.6, "lager": 0.0}, ("ale",), 9.0, ("porter",))
    assert text(cellar_with(waits, bath_c=-1.0)) == (
        "waits for ale: the bath is short of cold; porter has its turn, until it is about as far from its setpoint"
    )


def test_many_who_come_first_are_named_shortly() -> None:
    state = cellar_with(Sharing(0.0, {"lager": 0.4}, ("a", "b", "c", "d", "e")), 0.0)
    assert text(state).startswith("waits for a, b, c and 2 more: ")


def test_the_status_shows_it_on_the_vessel_and_on_the_bath() -> None:
    state = cellar_with(Sharing(0.0, {"lager": 0.4}, ("ale",)))
    status = status_dict(CELLAR, state, Display())
    assert status["vessels"]["lager"]["bath_wait"]["text"] in batch_lines(status["vessels"]["lager"])
    assert status["vessels"]["ale"]["bath_wait"] is None
    assert status["bath"]["waiting"] == ["lager"]
    assert "short of cold: some wait" in shown(status)


@pytest.mark.parametrize("nominal", [True, False])
def test_a_bath_that_nobody_measures_is_said_to_be_shared_with_care(nominal: bool) -> None:
    state = cellar_with(Sharing())
    if nominal:
        lost = state.signals["bath/supply"]._replace(status=Status.FAILURE)
        state = state._replace(signals={**state.signals, "bath/supply": lost})
    status = status_dict(CELLAR, state, Display())
    assert status["bath"]["nominal"] is nominal
    assert ("not measured: shared with care" in shown(status)) is nominal
