"""The alarms that can be raised: what each means, what follows if nobody acts, and what to do."""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum

from controller.control.diagnosis import COOLER_NO_EFFECT, COOLER_WILL_NOT_STOP, HEATER_NO_EFFECT, HEATER_WILL_NOT_STOP


class Priority(Enum):
    """How soon a person must act (ISA-18.2 asks for few levels)."""

    HIGH = "high"
    MEDIUM = "medium"
    LOW = "low"


@dataclass(frozen=True, slots=True)
class AlarmKind:
    """One row of the list."""

    priority: Priority
    cause: str
    consequence: str
    action: str


ALARMS: Mapping[str, AlarmKind] = {
    "signal": AlarmKind(
        Priority.HIGH,
        "no probe of the vessel gives a signal fit to drive",
        "heating is off, cooling is off or blind for a day at most, as the site file says; uncooled, a beer at high "
        "kräusen warms by about 0.6 K an hour",
        "look at the probe, its cable and the node that reports it",
    ),
    "probe": AlarmKind(
        Priority.MEDIUM,
        "one probe of the vessel has failed; another still drives the loop",
        "the next failure leaves the vessel without control",
        "look at the probe named in the alarm",
    ),
    "disagreement": AlarmKind(
        Priority.MEDIUM,
        "two probes of one vessel differ by more than probes of one wort should",
        "the colder limits cooling and the warmer limits heating, so the band is wider",
        "find out which is right: ice water reads 0 °C",
    ),
    COOLER_NO_EFFECT: AlarmKind(
        Priority.MEDIUM,
        "the cooler runs and the wort does not become colder",
        "the beer warms; the cooler rests and is tried again with growing pauses",
        "look at the bath and its chiller first, then at pump, valve, flow and air in the coil",
    ),
    COOLER_WILL_NOT_STOP: AlarmKind(
        Priority.HIGH,
        "the cooler is commanded off and the wort becomes colder all the same",
        "the yeast drops out, or the beer freezes",
        "close the glycol by hand, look at relay and valve, then say inspected",
    ),
    HEATER_NO_EFFECT: AlarmKind(
        Priority.MEDIUM,
        "the heater is on and the wort does not become warmer",
        "the beer cools to the room; the heater stays off until a person has looked",
        "with the mains off look at wrap, plug, fuse and relay, then say inspected",
    ),
    HEATER_WILL_NOT_STOP: AlarmKind(
        Priority.HIGH,
        "the heater is commanded off and the wort becomes warmer all the same",
        "off-flavours or dead yeast; a wrap that runs on can burn",
        "unplug the heater, look at its relay, then say inspected",
    ),
    "high": AlarmKind(
        Priority.HIGH,
        "the wort is above its absolute high limit",
        "off-flavours, or a stuck or killed yeast",
        "look at pump, glycol and chiller; cool by other means if they are at fault",
    ),
    "low": AlarmKind(
        Priority.HIGH,
        "the wort is below its absolute low limit",
        "the yeast drops out, or the beer freezes",
        "look whether the cooler really stopped; warm gently if it did",
    ),
    "deviation": AlarmKind(
        Priority.MEDIUM,
        "the wort has drifted from the setpoint of the moment, or does not come nearer to a new one",
        "the beer does not follow its course",
        "look at what the status gives as the reason of each output",
    ),
    "step time": AlarmKind(
        Priority.MEDIUM,
        "a step has reached its longest time and holds",
        "the beer waits at this step until a person decides",
        "take a gravity, confirm, extend the step, or skip it",
    ),
    "prompt": AlarmKind(
        Priority.LOW,
        "the profile waits for the brewer's answer",
        "the beer waits at this step",
        "do what the step asks for, then confirm",
    ),
    "starts": AlarmKind(
        Priority.LOW,
        "a pump, valve or heater starts more often than its relay lasts for",
        "pulses are longer and the deadband wider, so the wort swings a little more; the relay wears early",
        "give the loop a longer cycle or a wider deadband, or raise `starts_per_day` if the device is made for it",
    ),
    "reminder": AlarmKind(
        Priority.MEDIUM,
        "the loop has been off for long with beer in the vessel",
        "nobody regulates this beer",
        "set the mode to auto, or acknowledge to be reminded again later",
    ),
    "bath signal": AlarmKind(
        Priority.MEDIUM,
        "no probe of the bath gives a fit signal",
        "the bath is taken to be at its setpoint and its chiller to be weaker than the site file says",
        "look at the bath probe",
    ),
    "bath warm": AlarmKind(
        Priority.MEDIUM,
        "the bath is warmer than crashes are allowed at",
        "crashes and pull-downs wait for fermentations; if it goes on, those warm too",
        "look at the chiller: power, air flow, glycol level",
    ),
    "chiller no effect": AlarmKind(
        Priority.MEDIUM,
        "the chiller is asked to run and the bath does not become colder",
        "the bath warms, then the fermentations do",
        "look whether its compressor and fan run, at its air filter, its own thermostat and its fault lamp; what is "
        "inside it is for a licensed refrigeration engineer",
    ),
    "bath freezing": AlarmKind(
        Priority.HIGH,
        "the bath is near the freezing point of its glycol",
        "slush blocks pumps and bursts the evaporator",
        "raise the chiller's own thermostat; test the glycol's strength",
    ),
}
