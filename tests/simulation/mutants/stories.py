"""Short stories for the mutants, of the happenings that every story is made of, for whatever cellar a seed gives."""

from tests.simulation.layout import GATEWAY, Layout, VesselFigures
from tests.simulation.story import (
    HOUR_S,
    Act,
    BrokerTrouble,
    Happening,
    Hostile,
    Killed,
    ProbeFault,
    RelayFault,
    SecondDaemon,
)

MINUTE_S = 60.0
FERMENTS_NOT = 0.0  # limit of attenuation: heat of yeast would hide what outputs do
OG = 1.050


def heated_then_cooled(layout: Layout) -> list[Happening]:
    vessel = _heated(layout)
    return [
        _batch(vessel, 15.0, 15.0),
        _manual(vessel, 30 * MINUTE_S, 1.0, 2 * HOUR_S),
        _manual(vessel, 60 * MINUTE_S, -1.0, HOUR_S),
    ]


def probes_missing_while_heated(layout: Layout) -> list[Happening]:
    vessel = _heated(layout)
    tags = _wort_probes(vessel)
    return [
        _batch(vessel, 14.0, 22.0),
        *(ProbeFault(60 * MINUTE_S, tag, "missing", 40 * MINUTE_S) for tag in tags),
    ]


def all_cooled(layout: Layout) -> list[Happening]:
    return [_batch(vessel, 22.0, 12.0, 60.0 + 20.0 * place) for place, vessel in enumerate(layout.vessels)]


def late_messages(layout: Layout) -> list[Happening]:
    return [*all_cooled(layout), BrokerTrouble(HOUR_S, 120.0, 0.0, 0.0, False, 90 * MINUTE_S)]


def heater_burns_out(layout: Layout) -> list[Happening]:
    vessel = _heated(layout)
    return [_batch(vessel, 10.0, 22.0), RelayFault(2 * HOUR_S, f"{vessel.name}/heater", "broken", 12 * HOUR_S)]


def cooled_towards_freezing(layout: Layout) -> list[Happening]:
    """The probes show a wort that becomes ever colder; a real one would rather stay at the 4 °C of densest water."""
    vessel = min(layout.vessels, key=lambda each: each.low_c - each.freeze_margin_k)
    tags = _wort_probes(vessel)
    return [
        _batch(vessel, 3.0, 3.0),
        _manual(vessel, 20 * MINUTE_S, -1.0, 6 * HOUR_S),
        *(ProbeFault(30 * MINUTE_S, tag, "drift", 5 * HOUR_S, -1.5) for tag in tags),
    ]


def setpoint_beyond_the_limit(layout: Layout) -> list[Happening]:
    vessel = layout.vessels[0]
    return [_batch(vessel, 18.0, 18.0), Act(20 * MINUTE_S, vessel.name, "setpoint", {"celsius": 31.0}, "socket")]


def killed_while_cooling(layout: Layout) -> list[Happening]:
    return [*all_cooled(layout), Killed(HOUR_S, False, 1.0)]


def cooled_by_hand_briefly(layout: Layout) -> list[Happening]:
    vessel = layout.vessels[0]
    return [_batch(vessel, 20.0, 20.0), _manual(vessel, 20 * MINUTE_S, -1.0, 10 * MINUTE_S)]


def second_daemon(layout: Layout) -> list[Happening]:
    return [*all_cooled(layout), SecondDaemon(40 * MINUTE_S, 20 * MINUTE_S)]


def bytes_of_a_stranger(layout: Layout) -> list[Happening]:
    return [*all_cooled(layout), Hostile(20 * MINUTE_S, GATEWAY, b"\xff\xfe\x00", False, 1)]


def _heated(layout: Layout) -> VesselFigures:
    """The vessel with most heat for its size."""
    vessels = [vessel for vessel in layout.vessels if vessel.heater is not None]
    return max(vessels or layout.vessels, key=lambda each: each.heater.power_w / each.volume_l if each.heater else 0.0)


def _wort_probes(vessel: VesselFigures) -> list[str]:
    return [f"{vessel.name}/well", *([f"{vessel.name}/side"] if vessel.side_probe else [])]


def _batch(vessel: VesselFigures, wort_c: float, setpoint_c: float, at_s: float = 60.0) -> Act:
    litres = round(0.8 * min(vessel.volume_l, vessel.holds_l), 1)
    given = {"batch": f"In {vessel.name}", "setpoint_c": setpoint_c, "volume_l": litres, "og": OG}
    return Act(at_s, vessel.name, "start", given, "socket", brings=(litres, wort_c, OG, FERMENTS_NOT))


def _manual(vessel: VesselFigures, at_s: float, duty: float, for_s: float) -> Act:
    return Act(at_s, vessel.name, "mode", {"mode": "manual", "duty": duty, "for_s": for_s}, "socket")
