"""The cellar of the month: the demo's three fermenters and an empty fourth, and the site file that describes them."""

from collections.abc import Callable, Mapping
from pathlib import Path

from controller.plant.cellar import Cellar
from controller.plant.demo import AMBER, BATH, DARK, GOLD, Beer
from controller.plant.specs import ALE, CellarSpec, ProbeSpec, VesselSpec
from controller.plant.weather import weathered_room

SCAN_S = 60.0
SPARE = VesselSpec(  # an older stainless vessel of 80 L, without a wrap's worth of insulation
    name="spare",
    volume_l=70.0,
    wall_j_per_k=8000.0,
    film_w_per_k=62.0,
    loss_w_per_k=2.4,
    coil_l=0.9,
    coil_w_per_k=17.0,
    flow_l_per_s=0.045,
    line_l=0.9,
    heater_w=80.0,
    yeast=ALE,
    probe=ProbeSpec(offset_k=0.12),
)
BEERS: Mapping[str, Beer] = {
    "Amber No. 7": Beer(og=1.048, attenuation_limit=0.79, volume_l=25.0, wort_c=22.0),
    "Gold No. 12": Beer(og=1.049, attenuation_limit=0.81, volume_l=120.0, wort_c=16.0),
    "Gold No. 13": Beer(og=1.050, attenuation_limit=0.80, volume_l=120.0, wort_c=17.0),
    "Dark No. 3": Beer(og=1.078, attenuation_limit=0.76, volume_l=60.0, wort_c=23.0),
    "Table No. 1": Beer(og=1.040, attenuation_limit=0.78, volume_l=25.0, wort_c=20.0),
}
_POWER_W = {"amber": (130, 40), "dark": (240, 75), "gold": (420, 140), "spare": (250, 80)}

_SITE = """\
site: month
units: C
time_zone: Europe/Vienna
scan: 60 s
state_dir: state
broker: {broker}
http: {{port: {http}}}
log: text
notifications:
  targets:
    - {{name: book, url_file: book-url, least: low}}
    - {{name: phone, url_file: phone-url, least: high}}
    - {{name: wall, url_file: wall-url, least: low}}   # accepts and never answers
  quiet: {{from: "22:00", to: "07:00"}}
  daily_at: "08:00"
heartbeat: {{url_file: beat-url, every: 30 s}}
bath:
  glycol: {{kind: propylene glycol, percent: 35 %, basis: mass}}
  setpoint: -2.5 C
  warm_limit: 2 C
  chiller_power: 1 kW
  probes: [{{name: supply, topic: plant/probes, pointer: /bath~1supply, unit: C, reports_every: 60 s}}]
room: {{name: air, topic: plant/probes, pointer: /room~1air, unit: C, reports_every: 60 s}}
vessels:
"""
_VESSEL = """\
  - name: {name}
    volume: {volume} L
    wall_heat_capacity: {wall} kJ/K
    probes:
      - name: thermowell
        topic: plant/probes
        pointer: /{name}~1thermowell
        unit: C
        reports_every: 60 s
        place: thermowell
    cooler: {{topic: plant/{name}/cooler, node: true, lifetime: 300 s, renew: 120 s, power: {cooler} W}}
    heater: {{topic: plant/{name}/heater, node: true, lifetime: 300 s, renew: 120 s, power: {heater} W}}
    limits: {{low: 1 C, high: 28 C}}
"""
SPECS = CellarSpec((AMBER, DARK, GOLD, SPARE), BATH)


def month_cellar(seed: int = 1, room_c: Callable[[float], float] | None = None) -> Cellar:
    """The simulated cellar, all vessels empty."""
    return Cellar(SPECS, room_c or weathered_room(seed), seed)


def site_text(broker: str, http_port: int) -> str:
    """The site file; `broker` is its block as YAML."""
    vessels = [
        _VESSEL.format(
            name=spec.name,
            volume=f"{spec.volume_l:g}",
            wall=f"{spec.wall_j_per_k / 1000:g}",
            cooler=_POWER_W[spec.name][0],
            heater=_POWER_W[spec.name][1],
        )
        for spec in SPECS.vessels
    ]
    return _SITE.format(broker=broker, http=http_port) + "".join(vessels)


def write_secret(path: Path, text: str) -> None:
    """A file that only its owner reads."""
    path.write_text(text)
    path.chmod(0o600)
