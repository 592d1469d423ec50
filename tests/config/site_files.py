"""A small valid site file for the tests, and how to write one into a directory."""

from pathlib import Path
from textwrap import dedent

from controller.config import load_installation
from controller.faults import Fault, FileFaults
from controller.installation import Installation

PROFILE = dedent("""\
    title: Ale
    units: C
    steps:
      - name: primary
        kind: hold
        target: 19 C
        ends: {attenuation: 70 %}
        at_most: 12 d
    """)

SITE = dedent("""\
    site: cellar
    units: C
    time_zone: Europe/Vienna
    state_dir: state
    profiles: profiles
    broker: {host: 127.0.0.1}
    bath:
      glycol: {kind: propylene glycol, percent: 30 %, basis: mass}
      setpoint: -3 C
      chiller_power: 900 W
      probes:
        - {name: tank, topic: cellar/probes, pointer: /bath, unit: C, reports_every: 10 s}
    vessels:
      - name: fv1
        volume: 60 L
        probes:
          - {name: well, topic: cellar/probes, pointer: /fv1, unit: C, reports_every: 10 s, place: thermowell}
        cooler:
          topic: cellar/relay1/set
          on: "ON"
          off: "OFF"
          power: 400 W
          ends: device timer 120 s
        heater:
          topic: cellar/relay2/set
          on: "ON"
          off: "OFF"
          power: 100 W
          ends: device timer 120 s
        limits: {low: 1 C, high: 26 C}
    """)


def write_site(directory: Path, text: str = SITE) -> Path:
    """The site file and its one profile, written."""
    (directory / "profiles").mkdir(exist_ok=True)
    (directory / "profiles" / "ale.yaml").write_text(PROFILE)
    path = directory / "site.yaml"
    path.write_text(text)
    return path


def changed(old: str, new: str) -> str:
    """The valid file with one passage changed."""
    assert SITE.count(old) == 1, f"{old!r} must occur once"
    return SITE.replace(old, new)


def load(directory: Path, text: str = SITE) -> Installation:
    """The installation of a site file of that text."""
    return load_installation(write_site(directory, text))


def faults_of(directory: Path, text: str) -> list[Fault]:
    """All faults of a site file of that text; it must have some."""
    try:
        load(directory, text)
    except FileFaults as error:
        return list(error.faults)
    raise AssertionError("the file was accepted")
