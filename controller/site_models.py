"""Models of a site file: the site, the bath, the room; vessels are in `vessel_models`, broker, history, messages in
`service_models`."""

import os
from pathlib import Path
from typing import Annotated, TypeVar
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

from pydantic import BeforeValidator, Field, ValidationInfo, field_validator

from controller import defaults
from controller.control.fluids import glycol_freezing_c
from controller.faults import Wrong, shown
from controller.model_types import (
    FilePath,
    Part,
    Slug,
    YesNo,
    a_difference,
    a_duration,
    a_percentage,
    a_power,
    a_temperature,
    one_of,
)
from controller.nearest import nearest
from controller.quantities import PERCENT, POWER, TEMPERATURE
from controller.service_models import BrokerPart, HeartbeatPart, HistoryPart, HttpPart, NotificationsPart
from controller.upstream_models import CompressorPart, ContactorPart, SharedPumpPart, UpstreamPart
from controller.vessel_models import ProbePart, VesselPart

UpstreamT = TypeVar("UpstreamT", bound=UpstreamPart)


def _time_zone(value: object) -> ZoneInfo:
    try:
        return ZoneInfo(value if isinstance(value, str) else "")
    except (ZoneInfoNotFoundError, ValueError, OSError):
        near = nearest(value, sorted(available_timezones())) if isinstance(value, str) else None
        expected = "a time zone of the IANA list such as " + (near or "Europe/Vienna")
    raise Wrong(shown(value), expected)


class GlycolPart(Part):
    """What is in the bath. `percent` is by mass or by volume, which differ."""

    kind: str = Field(description="propylene glycol")
    basis: Annotated[str, one_of("mass", "volume")] = Field(description="mass or volume")
    percent: Annotated[float, a_percentage("0 %", "50 %")] = Field(description=PERCENT)

    @field_validator("kind", mode="before")
    @classmethod
    def _only_propylene(cls, kind: object) -> str:
        if isinstance(kind, str) and kind.lower().startswith("ethylene"):
            reason = "ethylene glycol is poisonous, and a coil can leak into the beer"
            raise Wrong(shown(kind), f"propylene glycol of food grade: {reason}")
        if kind != "propylene glycol":
            raise Wrong(shown(kind), "propylene glycol")
        return "propylene glycol"


class BathPart(Part):
    """The glycol reservoir and its chiller."""

    glycol: GlycolPart = Field(description="kind, percent and basis")
    freeze_margin: Annotated[float, a_difference("1 K", "10 K")] = defaults.BATH_FREEZE_MARGIN_K
    setpoint: Annotated[float, a_temperature(-30, 20)] = Field(description=TEMPERATURE)
    warm_limit: Annotated[float, a_temperature(-29, 30)] | None = None
    chiller_power: Annotated[float, a_power("1 W", "200 kW")] = Field(description=POWER)
    probes: list[ProbePart] = Field(min_length=1, max_length=4, description="a list of at least one probe")
    chiller: CompressorPart | None = None

    @field_validator("chiller")
    @classmethod
    def _ends_above_freezing(cls, chiller: CompressorPart | None, info: ValidationInfo) -> CompressorPart | None:
        glycol, margin_k, setpoint = (info.data.get(key) for key in ("glycol", "freeze_margin", "setpoint"))
        if chiller is None or glycol is None or margin_k is None or setpoint is None:
            return chiller
        least_c = glycol_freezing_c(glycol.percent, glycol.basis) + margin_k
        ends_c = setpoint - chiller.deadband / 2.0
        if ends_c < least_c:
            found = f"{chiller.deadband:g} K, with which the compressor would run down to {ends_c:g} C"
            right = f"an end at {least_c:.1f} C or above: a smaller deadband, a warmer setpoint or more glycol"
            raise Wrong(found, right, ("deadband",))
        return chiller

    @field_validator("setpoint")
    @classmethod
    def _not_near_freezing(cls, setpoint: float, info: ValidationInfo) -> float:
        glycol, margin_k = info.data.get("glycol"), info.data.get("freeze_margin")
        if glycol is None or margin_k is None:
            return setpoint
        freeze_c = glycol_freezing_c(glycol.percent, glycol.basis)
        if setpoint < freeze_c + margin_k:
            strength = f"{glycol.percent:g} % by {glycol.basis}"
            raise Wrong(
                f"{setpoint:g} C for {strength}, which freezes at {freeze_c:.1f} C",
                f"at least {freeze_c + margin_k:.1f} C (a margin of {margin_k:g} K), or more glycol",
            )
        return setpoint

    @field_validator("warm_limit")
    @classmethod
    def _above_setpoint(cls, warm: float | None, info: ValidationInfo) -> float | None:
        setpoint = info.data.get("setpoint")
        if warm is not None and setpoint is not None and warm < setpoint + 0.5:
            raise Wrong(f"{warm:g} C", f"at least 0.5 K above the bath's setpoint of {setpoint:g} C")
        return warm


class SitePart(Part):
    """The whole site file."""

    site: Slug = Field(description="the site's name, such as cellar")
    units: Annotated[str, one_of("C", "F")] = Field(description="C or F, for bare temperatures and for what people see")
    volumes: Annotated[str, one_of("L", "gal")] = "L"
    gravities: Annotated[str, one_of("SG", "P")] = "SG"
    log: Annotated[str, one_of("text", "json")] = "text"
    time_zone: Annotated[ZoneInfo, BeforeValidator(_time_zone)] = Field(
        description="a time zone of the IANA list such as Europe/Vienna"
    )
    scan: Annotated[float, a_duration("1 s", "60 s")] = defaults.SCAN_S
    state_dir: FilePath = Field(description="the directory of the store, such as /var/lib/cellarhand")
    profiles: FilePath | None = None
    manual_heat_over_mqtt: YesNo = False
    broker: BrokerPart = Field(description="a block with host, port, user and password_file or password_env")
    http: HttpPart = HttpPart()
    history: HistoryPart = HistoryPart()
    notifications: NotificationsPart | None = None
    heartbeat: HeartbeatPart | None = None
    bath: BathPart | None = None
    room: ProbePart | None = None
    vessels: list[VesselPart] = Field(min_length=1, max_length=50, description="a list of at least one vessel")
    contactors: list[ContactorPart] = Field(default=[], max_length=20)
    shared_pumps: list[SharedPumpPart] = Field(default=[], max_length=20)

    @field_validator("state_dir")
    @classmethod
    def _a_directory(cls, path: Path) -> Path:
        if os.path.exists(path) and not os.path.isdir(path):  # unlike Path's, these never raise
            raise Wrong(f"{shown(str(path))}, which is a file", "a directory; it is made if it does not exist")
        return path

    @field_validator("vessels")
    @classmethod
    def _renewed_by_scans(cls, vessels: list[VesselPart], info: ValidationInfo) -> list[VesselPart]:
        scan_s = info.data.get("scan", 0.0)
        for number, vessel in enumerate(vessels):
            for key, output in (("cooler", vessel.cooler), ("heater", vessel.heater)):
                if output is not None and output.renew < scan_s:
                    right = f"at least one scan, {scan_s:g} s"
                    raise Wrong(f"{output.renew:g} s", right, (number, key, "renew"))
        return vessels

    @field_validator("bath")
    @classmethod
    def _chiller_renewed_by_scans(cls, bath: BathPart | None, info: ValidationInfo) -> BathPart | None:
        scan_s = info.data.get("scan", 0.0)
        if bath is not None and bath.chiller is not None and bath.chiller.renew < scan_s:
            raise Wrong(f"{bath.chiller.renew:g} s", f"at least one scan, {scan_s:g} s", ("chiller", "renew"))
        return bath

    @field_validator("contactors", "shared_pumps")
    @classmethod
    def _renewed_by_scans_too(cls, devices: list[UpstreamT], info: ValidationInfo) -> list[UpstreamT]:
        scan_s = info.data.get("scan", 0.0)
        for number, device in enumerate(devices):
            if device.renew < scan_s:
                raise Wrong(f"{device.renew:g} s", f"at least one scan, {scan_s:g} s", (number, "renew"))
        return devices

    @field_validator("shared_pumps")
    @classmethod
    def _valves_open_long_enough(cls, pumps: list[SharedPumpPart], info: ValidationInfo) -> list[SharedPumpPart]:
        coolers = {f"{each.name}/cooler": each.cooler for each in info.data.get("vessels", []) if each.cooler}
        for number, pump in enumerate(pumps):
            for tag in pump.feeds:
                valve = coolers.get(tag)
                if valve is not None and valve.shortest_on <= pump.valve_leads:
                    found = f"{pump.valve_leads:g} s, while {tag} may be open for only {valve.shortest_on:g} s"
                    right = "less than the shortest on time of each valve, or the pump does not even start"
                    raise Wrong(found, right, (number, "valve_leads"))
        return pumps
