"""Models of what several outputs share in a site file: contactors upstream, and pumps behind several valves."""

from typing import Annotated

from pydantic import BeforeValidator, Field, field_validator

from controller import defaults
from controller.faults import Wrong, shown
from controller.model_types import SLUG, Slug, a_duration
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


Fed = Annotated[str, BeforeValidator(_fed)]
Valve = Annotated[str, BeforeValidator(_valve)]


class UpstreamPart(SwitchedPart):
    """What both kinds have in common. They must end by themselves: whatever stops this service or the network must
    leave nothing energised."""

    name: Slug = Field(description=SLUG)

    @field_validator("ends")
    @classmethod
    def _ends_by_itself(cls, ends: EndsPart | None) -> EndsPart | None:
        return ends_by_itself(ends, '"{}" for what several outputs hang on', "it")


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
