"""Contactors and shared pumps: power and flow for several vessels, from the site to the devices."""

import json
from collections.abc import Iterable
from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.control.codec import from_json, to_json
from controller.control.diagnosis import OutputFault
from controller.control.drive import OFF_AGAIN_S
from controller.control.lifecycle import initial_state, reloaded_state, resumed_state, stopped_state
from controller.control.site import Ending, Output, Site, Supply, Upstream
from controller.control.state import LOST, START, OutputState, SiteState
from controller.control.step import StepResult, step
from controller.control.values import Action, Command, Inputs, Reading, Record, RecordKind
from controller.simulate import simulate
from tests.factories import HEAT_CAPACITY_J_PER_K, SCAN_S, UTC_S, site, starting, vessel

LEADS_S = 10.0
HEATERS = Upstream(
    Supply.CONTACTOR,
    Output("upstream/heat", 0.0, Ending.DEVICE_TIMER, shortest_on_s=0.0, shortest_off_s=30.0),
    ("ale/heater", "lager/heater"),
)
GLYCOL = Upstream(
    Supply.PUMP,
    Output("upstream/glycol", 0.0, Ending.DEVICE_TIMER, shortest_on_s=60.0, shortest_off_s=60.0),
    ("ale/cooler", "lager/cooler"),
    LEADS_S,
)
CELLAR = replace(site(vessel("ale"), vessel("lager"), vessel("stout")), upstream=(GLYCOL, HEATERS))
PLAIN = replace(CELLAR, upstream=())
COLD_C, WARM_C, THERE_C = 15.0, 24.0, 19.0  # against a setpoint of 19 °C: heat, cooling, neither


class Cellar:
    """A cellar that is scanned; every command is obeyed by its device at once, in the order in which it left. The worts
    go to what `worts` says, no faster than a probe is believed."""

    def __init__(self, cellar: Site = CELLAR, **worts: float) -> None:
        self.site = cellar
        self.state = initial_state(cellar, 0.0)
        self.worts = {each.name: THERE_C for each in cellar.vessels} | worts
        self.seen = dict(self.worts)
        self.silent: set[str] = set()
        self.records: list[Record] = []
        self.commands: list[Command] = []
        self.devices: dict[str, bool] = {}
        self.scan()
        self.scan(*(starting(each.name) for each in cellar.vessels))

    def scan(self, *actions: Action, dt_s: float = SCAN_S, again: Iterable[str] = ()) -> StepResult:
        now_s = self.state.now_s + dt_s
        self.seen = {name: c + min(max(self.worts[name] - c, -1.4), 1.4) for name, c in self.seen.items()}
        readings = {f"{name}/well": Reading(c, now_s) for name, c in self.seen.items() if name not in self.silent}
        readings["bath/supply"] = Reading(-3.0, now_s)
        result = step(self.site, self.state, Inputs(now_s, UTC_S + now_s, readings, actions, frozenset(again)))
        self.state = result.state
        self.records += result.records
        self.commands += result.commands
        for command in result.commands:
            self.obey(command)
        return result

    def obey(self, command: Command) -> None:
        self.devices[command.tag] = command.on

    def scans(self, seconds: float) -> None:
        for _ in range(round(seconds / SCAN_S)):
            self.scan()

    def until(self, tag: str, on: bool, within_s: float = 900.0) -> None:
        """Scan until a device is on (or off)."""
        for _ in range(round(within_s / SCAN_S)):
            if self.devices[tag] is on:
                return
            self.scan()
        raise AssertionError(f"{tag} never went {'on' if on else 'off'}: {self.why(tag)}")

    def output(self, tag: str) -> OutputState:
        place, _, name = tag.partition("/")
        at = self.state.upstream[tag] if place == "upstream" else getattr(self.state.vessels[place], name)
        assert isinstance(at, OutputState)
        return at

    def why(self, tag: str) -> str:
        return self.output(tag).reason

    def fault(self, name: str, kind: str) -> None:
        """What the diagnosis does when it has found one."""
        now = self.state.vessels[name]
        now = now._replace(faults={**now.faults, kind: OutputFault(self.state.now_s, "the evidence")})
        self.state = self.state._replace(vessels={**self.state.vessels, name: now})

    def inspected(self, name: str) -> None:
        """The brewer has looked at both outputs."""
        for part in ("cooler", "heater"):
            self.scan(Action(f"{name}-{part}-{self.state.now_s}", name, "inspected", {"part": part}, "me"))

    def told(self, subject: str, kind: RecordKind = RecordKind.OUTPUT) -> list[tuple[str, str]]:
        """What the records say of something that belongs to no vessel."""
        return [(r.value, r.reason) for r in self.records if r.vessel == "" and (r.subject, r.kind) == (subject, kind)]


def heating() -> Cellar:
    """Ale and lager are cold, the contactor is closed, both heaters are on."""
    cellar = Cellar(ale=COLD_C, lager=COLD_C)
    cellar.until("ale/heater", True)
    cellar.until("lager/heater", True)
    return cellar


def cooling(*names: str) -> Cellar:
    """These are warm, their valves are open, and the pump runs."""
    cellar = Cellar(**dict.fromkeys(names, WARM_C))
    for name in names:
        cellar.until(f"{name}/cooler", True)
    cellar.until("upstream/glycol", True)
    cellar.scans(2 * LEADS_S)
    return cellar


# The contactor


def test_before_anything_else_the_pump_the_contactor_and_every_output_are_commanded_off_in_this_order() -> None:
    first = step(CELLAR, initial_state(CELLAR, 0.0), Inputs(5.0, UTC_S, {}))
    assert [(c.tag, c.on, c.reason) for c in first.commands][:4] == [
        ("upstream/glycol", False, START),
        ("upstream/heat", False, START),
        ("ale/cooler", False, START),
        ("ale/heater", False, START),
    ]
    assert [c.number for c in first.commands] == list(range(1, 9))


def test_the_contactor_closes_when_a_vessel_that_it_feeds_is_regulated() -> None:
    cellar = Cellar()
    cellar.until("upstream/heat", True)
    assert cellar.told("heat") == [("on", "a vessel that it feeds is regulated")]


def test_a_vessel_that_it_does_not_feed_does_not_close_it() -> None:
    cellar = Cellar()
    for name in ("ale", "lager"):
        cellar.scan(Action(f"end-{name}", name, "packaged", {}, "me"))
    cellar.scans(120)
    assert cellar.state.vessels["stout"].batch is not None
    assert (cellar.devices["upstream/heat"], cellar.why("upstream/heat")) == (
        False,
        "no vessel that it feeds is regulated",
    )


@pytest.mark.parametrize(
    ("verb", "arguments"), [("mode", {"mode": "off"}), ("abort", {"sure": True}), ("packaged", {})]
)
def test_it_opens_when_the_last_vessel_that_it_feeds_is_no_longer_regulated(
    verb: str, arguments: dict[str, str | float | bool]
) -> None:
    cellar = heating()
    cellar.scan(Action("1", "ale", verb, arguments, "me"))
    cellar.scans(60)
    assert cellar.devices["upstream/heat"]
    cellar.scan(Action("2", "lager", verb, arguments, "me"))
    assert (cellar.devices["upstream/heat"], cellar.devices["lager/heater"]) == (False, False)
    assert cellar.told("heat")[-1] == ("off", "no vessel that it feeds is regulated")


def test_a_heater_is_not_switched_on_before_its_contactor_is_closed() -> None:
    slow = replace(HEATERS, output=replace(HEATERS.output, shortest_off_s=600.0))
    cellar = Cellar(replace(CELLAR, upstream=(GLYCOL, slow)), ale=COLD_C)
    cellar.scans(600 - 2 * SCAN_S)
    assert cellar.why("ale/heater") == "the contactor heat is open: protective off time"
    cellar.until("upstream/heat", True)
    assert not cellar.devices["ale/heater"]
    cellar.scan()
    assert cellar.devices["ale/heater"]


def test_the_closed_contactor_is_renewed_like_any_output_and_the_open_one_is_said_again() -> None:
    cellar = heating()
    cellar.commands.clear()
    cellar.scans(100)
    renewed = [c for c in cellar.commands if c.tag == "upstream/heat"]
    assert [c.on for c in renewed] == [True] * 4
    assert {c.lifetime_s for c in renewed} == {90.0}
    for name in ("ale", "lager"):
        cellar.scan(Action(f"off-{name}", name, "mode", {"mode": "off"}, "me"))
    cellar.commands.clear()
    cellar.scans(OFF_AGAIN_S + SCAN_S)
    assert [c.on for c in cellar.commands if c.tag == "upstream/heat"] == [False]


def test_a_contactor_whose_command_may_not_have_arrived_is_told_again() -> None:
    cellar = heating()
    assert ("upstream/heat", True) in [(c.tag, c.on) for c in cellar.scan(again=["upstream/heat"]).commands]


# A heater that will not stop


def test_when_a_heater_does_not_stop_the_contactor_opens_in_the_same_scan_and_says_why() -> None:
    cellar = heating()
    cellar.fault("ale", "heater will not stop")
    cellar.scan()
    why = "the heater of ale will not stop, it must be inspected"
    assert (cellar.devices["upstream/heat"], cellar.why("upstream/heat")) == (False, why)
    assert cellar.told("heat")[-1] == ("off", why)
    assert cellar.told("heat", RecordKind.STATE) == [("kept off", why)]


def test_it_stays_open_until_the_heater_was_inspected_and_then_closes_by_itself() -> None:
    cellar = heating()
    cellar.fault("ale", "heater will not stop")
    cellar.scans(4 * 3600)
    assert not cellar.devices["upstream/heat"]
    cellar.inspected("ale")
    cellar.until("upstream/heat", True)
    assert cellar.told("heat", RecordKind.STATE)[-1] == ("free again", "what it feeds was inspected")
    cellar.until("lager/heater", True)


def test_the_neighbour_says_that_the_contactor_is_open_and_its_heater_is_off() -> None:
    cellar = heating()
    cellar.fault("ale", "heater will not stop")
    cellar.scan()
    cellar.scan()
    assert not cellar.devices["lager/heater"]
    why = "the contactor heat is open: the heater of ale will not stop, it must be inspected"
    assert cellar.why("lager/heater") == why
    assert cellar.state.vessels["lager"].applied_w == 0.0


def test_the_neighbours_deviation_is_told_with_its_cause() -> None:
    cellar = heating()
    cellar.fault("ale", "heater will not stop")
    cellar.scans(5 * 3600)
    alarm = cellar.state.alarms["lager/deviation"]
    assert alarm.text.endswith("the contactor heat is kept off: the heater of ale will not stop, it must be inspected")
    assert cellar.state.alarms.get("stout/deviation") is None


def test_a_stop_of_every_regulation_does_not_hide_the_fault() -> None:
    cellar = heating()
    cellar.fault("ale", "heater will not stop")
    cellar.scan()
    for name in ("ale", "lager"):
        cellar.scan(Action(f"off-{name}", name, "mode", {"mode": "off"}, "me"))
    assert cellar.why("upstream/heat") == "the heater of ale will not stop, it must be inspected"


@pytest.mark.parametrize("kind", ["heater without effect", "cooler without effect", "cooler will not stop"])
def test_other_faults_leave_the_heaters_contactor_closed(kind: str) -> None:
    cellar = heating()
    cellar.fault("ale", kind)
    cellar.scans(60)
    assert cellar.devices["upstream/heat"]


def test_a_heater_elsewhere_that_does_not_stop_leaves_it_closed() -> None:
    cellar = heating()
    cellar.fault("stout", "heater will not stop")
    cellar.scans(60)
    assert cellar.devices["upstream/heat"]


def test_the_fault_of_a_vessel_out_of_service_keeps_it_open_too() -> None:
    cellar = heating()
    cellar.fault("ale", "heater will not stop")
    cellar.scan(Action("end", "ale", "packaged", {}, "me"))
    cellar.scans(600)
    assert not cellar.devices["upstream/heat"]


# The shared pump


def test_the_valve_opens_first_and_the_pump_starts_after_the_time_that_a_valve_needs() -> None:
    cellar = Cellar(ale=WARM_C)
    cellar.until("ale/cooler", True)
    assert cellar.why("upstream/glycol") == "the valve opens first"
    opened_s = cellar.state.now_s
    cellar.until("upstream/glycol", True)
    assert cellar.state.now_s - opened_s == LEADS_S
    assert cellar.told("glycol") == [("on", "a valve asks for flow")]


def test_the_pump_stops_first_and_the_last_valve_closes_in_a_later_scan() -> None:
    cellar = cooling("ale")
    cellar.worts["ale"] = 18.0
    cellar.until("upstream/glycol", False)
    assert cellar.devices["ale/cooler"]
    assert cellar.why("ale/cooler") == "open until the pump has stopped"
    assert cellar.told("glycol")[-1] == ("off", "no valve asks for flow")
    cellar.scan()
    assert not cellar.devices["ale/cooler"]


def test_a_vessel_that_needs_no_more_cooling_closes_its_valve_while_another_takes_the_flow() -> None:
    cellar = cooling("ale", "lager")
    cellar.worts["ale"] = 18.0
    cellar.until("ale/cooler", False)
    assert cellar.devices["lager/cooler"]
    assert cellar.devices["upstream/glycol"]


def test_a_cooler_with_a_pump_of_its_own_does_not_start_the_shared_one() -> None:
    cellar = Cellar(stout=WARM_C)
    cellar.until("stout/cooler", True)
    cellar.scans(120)
    assert not cellar.devices["upstream/glycol"]


def test_the_pump_keeps_its_shortest_on_time_and_the_valve_stays_open_for_it() -> None:
    quick = replace(vessel("ale"), cooler=Output("ale/cooler", 300.0, Ending.DEVICE_TIMER, shortest_on_s=15.0))
    cellar = Cellar(replace(site(quick), upstream=(replace(GLYCOL, feeds=("ale/cooler",)),)), ale=19.8)
    cellar.until("upstream/glycol", True)
    begun_s = cellar.state.now_s
    cellar.worts["ale"] = 18.5
    cellar.until("upstream/glycol", False)
    assert cellar.state.now_s - begun_s == GLYCOL.output.shortest_on_s
    assert cellar.devices["ale/cooler"]


@pytest.mark.parametrize(
    ("trouble", "why"), [("near freezing", "ale: no cooling: the wort is near freezing or at its hard limit"),
                         ("silent probe", "ale: no signal fit to drive")]
)  # fmt: skip
def test_for_the_safety_of_its_only_vessel_the_pump_stops_at_once_whatever_its_shortest_time(
    trouble: str, why: str
) -> None:
    patient = replace(GLYCOL, output=replace(GLYCOL.output, shortest_on_s=900.0))
    cellar = Cellar(replace(CELLAR, upstream=(patient, HEATERS)), ale=WARM_C)
    cellar.until("upstream/glycol", True)
    begun_s = cellar.state.now_s
    if trouble == "near freezing":
        cellar.worts["ale"] = 0.0
    else:
        cellar.silent.add("ale")
    cellar.until("upstream/glycol", False)
    assert cellar.told("glycol")[-1] == ("off", why)
    assert cellar.state.now_s - begun_s < 120.0
    cellar.scan()
    assert not cellar.devices["ale/cooler"]


def test_a_brewer_who_says_off_stops_the_pump_at_once_and_the_valve_in_the_next_scan() -> None:
    cellar = cooling("ale")
    cellar.scan(Action("off", "ale", "mode", {"mode": "off"}, "me"))
    assert (cellar.devices["upstream/glycol"], cellar.devices["ale/cooler"]) == (False, True)
    cellar.scan()
    assert not cellar.devices["ale/cooler"]


def test_the_safety_of_one_vessel_does_not_stop_the_pump_for_another() -> None:
    cellar = cooling("ale", "lager")
    cellar.silent.add("ale")
    cellar.until("ale/cooler", False, 60)
    assert cellar.devices["upstream/glycol"]
    assert cellar.devices["lager/cooler"]


def test_while_the_pump_rests_no_valve_opens_for_it() -> None:
    cellar = Cellar(ale=WARM_C, lager=WARM_C)
    cellar.scan(Action("1", "lager", "mode", {"mode": "off"}, "me"))
    cellar.until("upstream/glycol", True)
    cellar.scan(Action("2", "ale", "mode", {"mode": "off"}, "me"))
    stopped_s = cellar.state.now_s
    assert not cellar.devices["upstream/glycol"]
    cellar.scan(Action("3", "lager", "mode", {"mode": "auto"}, "me"))
    assert cellar.why("lager/cooler") == "protective off time of the pump glycol"
    cellar.until("lager/cooler", True)
    assert cellar.state.now_s - stopped_s >= GLYCOL.output.shortest_off_s - LEADS_S
    cellar.until("upstream/glycol", True)
    assert cellar.state.now_s - stopped_s >= GLYCOL.output.shortest_off_s


def test_a_valve_that_opens_in_the_scan_in_which_the_pump_stops_for_another_keeps_its_shortest_time() -> None:
    cellar = cooling("ale", "lager")
    cellar.scan(Action("1", "lager", "mode", {"mode": "off"}, "me"))
    cellar.scans(600)
    cellar.scan(Action("2", "lager", "mode", {"mode": "auto"}, "me"), Action("3", "ale", "mode", {"mode": "off"}, "me"))
    assert (cellar.devices["lager/cooler"], cellar.devices["upstream/glycol"]) == (True, False)
    opened_s = cellar.state.now_s
    shortest_on_s = 60.0  # the default of a cooler
    while cellar.state.now_s - opened_s < shortest_on_s:
        cellar.scan()
        assert cellar.devices["lager/cooler"]
    cellar.until("upstream/glycol", True)
    assert cellar.state.now_s - opened_s >= GLYCOL.output.shortest_off_s


def test_a_valve_that_does_not_get_its_commands_does_not_start_the_pump() -> None:
    cellar = Cellar(ale=WARM_C)
    for _ in range(200):
        cellar.scan(again=["ale/cooler"])
        assert not cellar.devices["upstream/glycol"]
    assert cellar.why("ale/cooler") == "the valve does not get its commands"
    cellar.until("upstream/glycol", True)


def test_the_pump_does_not_run_against_a_valve_that_no_longer_gets_its_commands() -> None:
    cellar = cooling("ale")
    cellar.scan(again=["ale/cooler"])
    assert (cellar.devices["upstream/glycol"], cellar.why("upstream/glycol")) == (
        False,
        "the open valve does not get its commands",
    )


def test_a_new_connection_on_which_everything_is_said_again_does_not_stop_the_pump() -> None:
    cellar = cooling("ale")
    cellar.scan(again=["ale/cooler", "ale/heater", "lager/cooler", "lager/heater", "upstream/glycol", "upstream/heat"])
    assert cellar.devices["upstream/glycol"]


def test_after_a_gap_in_which_the_valve_closed_by_itself_it_opens_first_again() -> None:
    cellar = cooling("ale")
    cellar.scan(dt_s=300.0)
    assert not cellar.devices["upstream/glycol"]
    cellar.scan()
    assert not cellar.devices["ale/cooler"]
    cellar.until("ale/cooler", True)
    opened_s = cellar.state.now_s
    cellar.until("upstream/glycol", True)
    assert cellar.state.now_s - opened_s >= LEADS_S


# A cooler that will not stop


def test_when_a_cooler_does_not_stop_the_shared_pump_stops_in_the_same_scan_for_all() -> None:
    cellar = cooling("ale", "lager")
    cellar.fault("ale", "cooler will not stop")
    cellar.scan()
    why = "the cooler of ale will not stop, it must be inspected"
    assert (cellar.devices["upstream/glycol"], cellar.why("upstream/glycol")) == (False, why)
    cellar.scan()
    assert (cellar.devices["lager/cooler"], cellar.why("lager/cooler")) == (
        False,
        f"the pump glycol is kept off: {why}",
    )
    cellar.scans(4 * 3600)
    assert not cellar.devices["upstream/glycol"]
    cellar.inspected("ale")
    cellar.until("upstream/glycol", True)


def test_a_neighbour_beyond_its_high_limit_says_in_its_alarm_who_keeps_the_cold_from_it() -> None:
    cellar = cooling("lager")
    cellar.fault("ale", "cooler will not stop")
    cellar.scan()
    cellar.worts["lager"] = 28.4
    cellar.scans(3 * 3600)
    why = "the pump glycol is kept off: the cooler of ale will not stop, it must be inspected"
    assert cellar.state.alarms["lager/high"].text == f"28.4 °C is above 28.0 °C; {why}"


def test_valves_without_power_do_not_keep_the_pump_running() -> None:
    valves = replace(HEATERS, feeds=("ale/cooler", "ale/heater", "lager/heater"))
    cellar = Cellar(replace(CELLAR, upstream=(GLYCOL, valves)), ale=WARM_C)
    cellar.until("upstream/glycol", True)
    cellar.commands.clear()
    cellar.fault("lager", "heater will not stop")
    cellar.scan()
    sent = [(c.tag, c.on) for c in cellar.commands]
    assert sent.index(("upstream/glycol", False)) < sent.index(("upstream/heat", False))


# What is remembered


def test_a_state_that_was_saved_before_there_was_anything_upstream_still_loads() -> None:
    raw = json.loads(to_json(initial_state(PLAIN, 0.0)))
    assert "upstream" not in raw  # left out, as that version left it out
    saved = from_json(SiteState, json.dumps(raw))
    first = step(CELLAR, resumed_state(CELLAR, saved, 0.0), Inputs(5.0, UTC_S, {}))
    assert set(first.state.upstream) == {"upstream/glycol", "upstream/heat"}


def test_saving_and_loading_changes_no_decision() -> None:
    kept, loaded = cooling("ale", "lager"), cooling("ale", "lager")
    for each in (kept, loaded):
        each.worts |= {"ale": 18.0, "lager": 18.0}
        each.scan()
    for _ in range(60):
        loaded.state = from_json(SiteState, to_json(loaded.state))
        assert kept.scan() == loaded.scan()


def test_after_a_power_cut_the_contactor_and_the_pump_are_off_first_and_their_loss_is_on_record() -> None:
    cellar = cooling("ale")
    assert cellar.devices["upstream/heat"]
    totals = {tag: (at.starts, at.on_s) for tag, at in cellar.state.upstream.items()}
    cellar.state = resumed_state(CELLAR, cellar.state, cellar.state.now_s)
    cellar.commands.clear()
    cellar.records.clear()
    first = cellar.scan()
    assert [c.tag for c in first.commands][:2] == ["upstream/glycol", "upstream/heat"]
    assert not any(c.on for c in first.commands)
    assert cellar.told("glycol") == [("off", LOST)]
    assert cellar.told("heat") == [("off", LOST)]
    assert {tag: (at.starts, at.on_s) for tag, at in cellar.state.upstream.items()} == totals
    begun_s = cellar.state.now_s
    cellar.until("upstream/heat", True)
    assert cellar.state.now_s - begun_s >= HEATERS.output.shortest_off_s - SCAN_S


def test_a_fault_outlasts_a_restart() -> None:
    cellar = heating()
    cellar.fault("ale", "heater will not stop")
    cellar.scan()
    cellar.state = resumed_state(CELLAR, from_json(SiteState, to_json(cellar.state)), cellar.state.now_s)
    cellar.scans(3600)
    assert not cellar.devices["upstream/heat"]
    assert cellar.why("upstream/heat") == "the heater of ale will not stop, it must be inspected"


def test_an_orderly_stop_remembers_that_nothing_is_on() -> None:
    assert not any(at.on for at in stopped_state(cooling("ale").state).upstream.values())


def test_the_same_file_read_again_changes_nothing() -> None:
    state = cooling("ale").state
    assert reloaded_state(CELLAR, CELLAR, state, state.now_s) == state


def test_a_contactor_that_is_new_in_the_file_begins_open_and_its_heater_goes_off_until_it_is_closed() -> None:
    cellar = Cellar(PLAIN, ale=COLD_C)
    cellar.until("ale/heater", True)
    cellar.site, cellar.state = CELLAR, reloaded_state(PLAIN, CELLAR, cellar.state, cellar.state.now_s)
    cellar.scan()
    assert (cellar.devices["ale/heater"], cellar.devices["upstream/heat"]) == (False, False)
    cellar.until("ale/heater", True)
    assert cellar.devices["upstream/heat"]


def test_a_pump_that_is_no_longer_in_the_file_is_forgotten() -> None:
    state = cooling("ale").state
    assert reloaded_state(CELLAR, PLAIN, state, state.now_s).upstream == {}


# The order at the devices, whatever happens


class Devices(Cellar):
    """Checks with each command that arrives that no pump runs against closed valves and no heater goes before its
    contactor, as the devices see it."""

    opened_s: dict[str, float]

    def obey(self, command: Command) -> None:
        if not hasattr(self, "opened_s"):
            self.opened_s = {}
        tag, was = command.tag, self.devices.get(command.tag, False)
        super().obey(command)
        valves = [each for each in GLYCOL.feeds if self.devices.get(each)]
        if tag in GLYCOL.feeds and command.on and not was:
            self.opened_s[tag] = self.state.now_s
        if tag == "upstream/glycol" and command.on and not was:
            assert any(self.state.now_s - self.opened_s[each] >= LEADS_S for each in valves), "the valve opens first"
        if self.devices.get("upstream/glycol"):
            assert valves, f"{tag} left the pump against closed valves"
        if tag in HEATERS.feeds and command.on and not was:
            assert self.devices["upstream/heat"], "the contactor closes first"


WISHES = st.one_of(
    st.tuples(st.just("wort"), st.sampled_from(["ale", "lager"]), st.sampled_from([0.3, 15.0, 18.0, 19.0, 22.0, 27.0])),
    st.tuples(st.just("silence"), st.sampled_from(["ale", "lager"]), st.booleans()),
    st.tuples(st.just("mode"), st.sampled_from(["ale", "lager"]), st.sampled_from(["off", "auto"])),
    st.tuples(st.just("fault"), st.sampled_from(["ale", "lager"]), st.sampled_from(["heater", "cooler"])),
    st.tuples(st.just("inspected"), st.sampled_from(["ale", "lager"]), st.none()),
    st.tuples(st.just("restart"), st.none(), st.none()),
    st.tuples(st.just("again"), st.sampled_from(["ale/cooler", "upstream/glycol", "lager/cooler"]), st.none()),
    st.tuples(st.just("gap"), st.none(), st.sampled_from([20.0, 80.0, 200.0])),
)


def happens(cellar: Devices, number: int, what: str, where: str | None, value: object) -> None:
    """One event in the cellar; where it is none of time, the next scan sees it."""
    match what:
        case "wort":
            cellar.worts[str(where)] = float(str(value))
        case "silence":
            cellar.silent = cellar.silent | {str(where)} if value else cellar.silent - {str(where)}
        case "mode":
            cellar.scan(Action(f"mode-{number}", str(where), "mode", {"mode": str(value)}, "me"))
        case "fault":
            cellar.fault(str(where), f"{value} will not stop")
        case "inspected":
            cellar.inspected(str(where))
        case "restart":
            cellar.state = resumed_state(cellar.site, cellar.state, cellar.state.now_s)
        case "again":
            cellar.scan(again=[str(where)])
        case "gap":
            if float(str(value)) > 90.0:  # the devices' own timers
                cellar.devices = dict.fromkeys(cellar.devices, False)
            cellar.scan(dt_s=float(str(value)))


@settings(deadline=None, max_examples=120)
@given(st.lists(st.tuples(WISHES, st.integers(0, 60)), max_size=12))
def test_no_pump_ever_runs_against_closed_valves_and_a_stuck_output_is_always_cut_off(
    story: list[tuple[tuple[str, str | None, object], int]],
) -> None:
    cellar = Devices(ale=WARM_C, lager=WARM_C)
    cellar.scans(300)
    number = cellar.state.number
    for place, ((what, where, value), scans) in enumerate(story):
        happens(cellar, place, what, where, value)
        for _ in range(scans + 1):
            result = cellar.scan()
            faults = {f"{name}: {kind}" for name, now in cellar.state.vessels.items() for kind in now.faults}
            if any("heater" in each for each in faults):
                assert not cellar.devices["upstream/heat"]
            if any("cooler" in each for each in faults):
                assert not cellar.devices["upstream/glycol"]
            numbers = [command.number for command in result.commands]
            assert numbers == list(range(cellar.state.number - len(numbers) + 1, cellar.state.number + 1))
            if numbers:
                assert numbers[0] > number
                number = numbers[-1]
    told = [value for value, _ in cellar.told("glycol")]
    assert all(earlier != later for earlier, later in pairwise(told))


def test_a_site_without_anything_upstream_decides_as_before() -> None:
    plain, fed = Cellar(PLAIN, stout=WARM_C), Cellar(CELLAR, stout=WARM_C)
    for _ in range(400):
        one, other = plain.scan(), fed.scan()
        mine = [c._replace(number=0) for c in one.commands if c.tag.startswith("stout")]
        assert mine == [c._replace(number=0) for c in other.commands if c.tag.startswith("stout")]


class Buckets:
    """Two vessels of 60 L in a room of 12 °C: a wrap heats with 80 W if its relay and the contactor are closed, a coil
    cools with 300 W if its valve is open and the pump runs. Relays and valves can be stuck."""

    def __init__(self, wort_c: float) -> None:
        self.now_s = 0.0
        self.wort_c = {"ale": wort_c, "lager": wort_c}
        self.on: dict[str, bool] = {}
        self.stuck: set[str] = set()

    def readings(self) -> dict[str, Reading]:
        # a probe's own resolution, 1/16 K, so that it is never suspiciously still
        shown = {f"{name}/well": Reading(round(16 * c) / 16, self.now_s) for name, c in self.wort_c.items()}
        return {**shown, "bath/supply": Reading(-3.0 + 0.1 * (self.now_s % 7.0), self.now_s)}

    def obey(self, commands: Iterable[Command]) -> None:
        self.on.update({command.tag: command.on for command in commands})

    def moves(self, tag: str, shared: str) -> bool:
        return (self.on.get(tag, False) or tag in self.stuck) and self.on.get(shared, False)

    def advance(self, dt_s: float) -> None:
        self.now_s += dt_s
        for name, wort_c in self.wort_c.items():
            watts = 1.5 * (12.0 - wort_c)
            watts += 80.0 * self.moves(f"{name}/heater", "upstream/heat")
            watts -= 300.0 * (wort_c + 3.0) / 23.0 * self.moves(f"{name}/cooler", "upstream/glycol")
            self.wort_c[name] += watts * dt_s / HEAT_CAPACITY_J_PER_K


@pytest.mark.parametrize(("stuck", "shared"), [("ale/heater", "upstream/heat"), ("ale/cooler", "upstream/glycol")])
def test_an_output_that_is_stuck_on_at_the_device_moves_the_wort_until_it_is_cut_off_upstream(
    stuck: str, shared: str
) -> None:
    cellar, plant = replace(site(vessel("ale"), vessel("lager")), upstream=(GLYCOL, HEATERS)), Buckets(19.0)
    started = tuple(starting(each.name) for each in cellar.vessels)
    state = simulate(cellar, plant, 3600.0, lambda now_s, state: () if now_s else started)
    off = Action("off", "ale", "mode", {"mode": "off"}, "me")  # the loop does not work against it
    plant.stuck.add(stuck)
    plant.wort_c["lager"] = 26.0  # so that the pump runs
    state = simulate(cellar, plant, 1800.0, lambda now_s, state: (off,) if now_s == 3600.0 else (), state=state)
    moved_k = plant.wort_c["ale"] - 19.0
    assert moved_k > 0.3 if stuck == "ale/heater" else moved_k < -0.3
    found = {stuck.partition("/")[2] + " will not stop": OutputFault(state.now_s, "the evidence")}
    faulty = state.vessels["ale"]._replace(faults=found)
    state = simulate(cellar, plant, 60.0, state=state._replace(vessels={**state.vessels, "ale": faulty}))
    cut_off_c = plant.wort_c["ale"]
    simulate(cellar, plant, 3600.0, state=state)
    assert not plant.on[shared]
    drift_k = 1.5 * (12.0 - cut_off_c) * 3600.0 / HEAT_CAPACITY_J_PER_K  # what the room does by itself
    assert plant.wort_c["ale"] - cut_off_c == pytest.approx(drift_k, abs=0.02)
