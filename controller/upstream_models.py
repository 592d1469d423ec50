"""Models of what several outputs share in a site file: contactors upstream, pumps behind several valves, and the
compressor of the chiller."""

from collections.abc import Callable
from typing import Annotated

from pydantic import BeforeValidator, Field, field_validator

from controller import defaults
from controller.faults import Wrong, shown
from controller.model_types import SLUG, Slug, a_difference, a_duration
from controller.vessel_models import EndsPart, SwitchedPart, ends_by_itself

_OUTPUT = 'an output as vessel/cooler or vessel/heater, such as "fv1/heater"'
_VALVE = 'a cooler, whose valve the pump serves, as vessel/cooler, such as "fv1/cooler"'


def _fed(value: object) -> str:
    """The tag of an output; whether the file has such an output is `upstream_crosschecks`' to say."""
    name, _, key = (value if isinstance(value, str) else "").partition("/")
    if not name or key not in {"cooler", "heater"}:
        raise Wrong(shown(value), _OUTPUT)
    return f"{name}/{key}"


def _valve(value: object) -> str:
    if not isinstance(value, str) or not value.endswith("/cooler") or value.count("/") != 1:
        raise Wrong(shown(value), _VALVE)
    return value


def _kept(what: str) -> Callable[[object], bool]:
    """Only a plain "yes" will do."""

    def confirmed(value: object) -> bool:
        if value is not True and value != "yes":
            right = f"yes, if the chiller keeps {what} whatever this service does; else leave the chiller to itself"
            raise Wrong(shown(value), right)
        return True

    return confirmed


_CONFIRM = "yes: you have looked at the chiller and confirm that it keeps it; no block without"

Fed = Annotated[str, BeforeValidator(_fed)]
Valve = Annotated[str, BeforeValidator(_valve)]


class SharedPart(SwitchedPart):
    """What all kinds have in common. They must end by themselves: whatever stops this service or the network must
    leave nothing energised."""

    @field_validator("ends")
    @classmethod
    def _ends_by_itself(cls, ends: EndsPart | None) -> EndsPart | None:
        return ends_by_itself(ends, '"{}" for what several outputs hang on', "it")


class UpstreamPart(SharedPart):
    """What outputs of vessels hang on; it has a name."""

    name: Slug = Field(description=SLUG)


class CompressorPart(SharedPart):
    """The compressor of a chiller that keeps its own thermostat and freeze protection. The brewer says so, twice."""

    own_thermostat: Annotated[bool, BeforeValidator(_kept("its own thermostat"))] = Field(description=_CONFIRM)
    own_freeze_protection: Annotated[bool, BeforeValidator(_kept("its own freeze protection"))] = Field(
        description=_CONFIRM
    )
    deadband: Annotated[float, a_difference("0.5 K", "4 K")] = defaults.COMPRESSOR_DEADBAND_K
    shortest_on: Annotated[float, a_duration("1 min", "30 min")] = defaults.COMPRESSOR_SHORTEST_ON_S
    shortest_off: Annotated[float, a_duration("3 min", "30 min")] = defaults.COMPRESSOR_SHORTEST_OFF_S


class ContactorPart(UpstreamPart):
    """A contactor upstream of heaters, and of coolers where it is wired so."""

    shortest_off: Annotated[float, a_duration("5 s", "30 min")] = defaults.CONTACTOR_SHORTEST_OFF_S
    feeds: list[Fed] = Field(min_length=1, max_length=100, description='a list such as ["fv1/heater", "fv2/heater"]')


class SharedPumpPart(UpstreamPart):
    """One glycol pump behind the valves of several vessels."""

    shortest_on: Annotated[float, a_duration("5 s", "15 min")] = defaults.PUMP_SHORTEST_ON_S
    shortest_off: Annotated[float, a_duration("5 s", "30 min")] = defaults.PUMP_SHORTEST_OFF_S
    valve_leads: Annotated[float, a_duration("0 s", "5 min")] = defaults.VALVE_LEADS_S
    feeds: list[Valve] = Field(min_length=1, max_length=50, description='a list such as ["fv1/cooler", "fv2/cooler"]')
