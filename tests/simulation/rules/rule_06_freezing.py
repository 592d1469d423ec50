"""Rule 6: the wort is not driven below the freezing point that its proven alcohol gives, plus the margin, and near that
limit the duty is limited too. The bath is not driven below its glycol's freezing point plus a margin.

Checked: no "on" to a cooler reaches the broker once two readings in a row of every probe of the vessel lie below the
limit, nor to a compressor once those of the bath's do, or are not there; the cooler is not ordered on for long without
a pause just above it; the coldest layer of the wort is never really frozen by cooling that was commanded while the
probes were sound. When a sound probe shows the bath below its own limit, that is alarmed (in the records): the chiller
keeps its own thermostat, nothing here can stop that.
Not seen: ice on the coil, colder than any layer of wort; what a probe hides that is too warm by no more than its maker
allows (0.5 K for the usual one, datasheet of the DS18B20).

The alcohol: % by weight = 76.08 (OG - FG) / (1.775 - OG), M. Hall, Zymurgy (1995), from memory. The freezing point:
1.86 K for each mol of ethanol per kg of water, the cryoscopic constant of water; below what tables say, so in the
service's favour.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from tests.simulation.rules.seen import Command, Seen, breach, plausible
from tests.simulation.scene import Breach, Probe, Record, Scene, Vessel

ETHANOL_G_PER_MOL, KELVIN_PER_MOLAL = 46.07, 1.86
SLACK_S = 12.0
TOLERANCE_K = 0.02  # of a payload's digits
NEAR_K, NEAR_S = 0.25, 15 * 60.0  # a quarter of the duty is allowed here at most, in pulses of some minutes
SOUND_S = 3 * 3600.0
BATH_S, BATH_K = 900.0, 0.3
ACCURACY_K = 0.5


def _too_warm_k(vessel: Vessel) -> float:
    """By how much the coldest probe shows the wort too warm, as far as its maker allows it."""
    shown = [probe.heard_c for probe in vessel.probes if probe.heard_c is not None]
    return min(max(min(shown, default=vessel.mean_c) - vessel.mean_c, 0.0), ACCURACY_K)


@dataclass(slots=True)
class Bath:
    """A time in which the bath was shown below its limit."""

    since_s: float = math.inf
    told_by: float = -math.inf


class Freezing:
    """Judges rule 6."""

    rule = 6

    def __init__(self, seen: Seen | None = None) -> None:
        self._seen = seen or Seen()
        self._near_s: dict[str, float] = {}  # since when the cooler is on without a pause and near the limit
        self._frozen: set[str] = set()
        self._scanned_s = -math.inf
        self._astray_s: dict[str, float] = {}  # when something else than commands last cooled the vessel
        self._cold_bath = math.inf  # since when
        self._cold_baths: list[tuple[float, float]] = []

    def look(self, scene: Scene) -> Iterable[Breach]:
        seen = self._seen
        seen.take(scene)
        found: list[Breach] = []
        for command in seen.commands:
            relay = scene.relays[command.tag]
            if command.on and relay.kind == "cooler" and not command.held:
                found += self._commanded(scene, scene.vessels[relay.vessel], command)
            elif command.on and relay.kind == "compressor" and not command.held:
                found += self._chilled(scene, command)
        daemon = scene.daemons.get("a")
        if daemon is not None and daemon.scanned_s != self._scanned_s:
            self._scanned_s = daemon.scanned_s
            for vessel in scene.vessels.values():
                found += self._scanned(scene, vessel)
            self._bath(scene)
        return found

    def end(self, scene: Scene) -> Sequence[Breach]:
        told = [
            record.at_s
            for record in scene.records
            if record.kind == "alarm" and record.subject == "bath freezing" and record.at_s is not None
        ]
        lost_s = self._seen.forgot_s
        return [
            Breach(6, from_s, "", f"the bath was shown below its limit for {to_s - from_s:.0f} s and nobody was told")
            for from_s, to_s in self._cold_baths
            if lost_s < from_s
            and not any(from_s - 1.0 <= at_s <= to_s + 60.0 for at_s in told)
            and not self._was_active(scene.records, from_s)
        ]

    @staticmethod
    def _was_active(records: Sequence[Record], at_s: float) -> bool:
        before = [each for each in records if each.subject == "bath freezing" and (each.at_s or 0.0) <= at_s]
        return bool(before) and before[-1].value.startswith("active")

    def limit_c(self, vessel: Vessel) -> float:
        """The coldest wort that may be cooled."""
        told = vessel.told
        if not self._seen.is_sure(vessel):
            return min(vessel.freezing_c, _proven_c(vessel)) + vessel.freeze_margin_k
        return (0.0 if told is None else _proven_c(vessel)) + vessel.freeze_margin_k

    def _commanded(self, scene: Scene, vessel: Vessel, command: Command) -> list[Breach]:
        limit_c, now_s = self.limit_c(vessel) - TOLERANCE_K, command.at_s
        if now_s - self._seen.strange_s < 600.0 or now_s - self._seen.reloaded_s < 30.0:
            return []
        coldest_c = self._surely_below(scene, vessel.probes, limit_c, now_s)
        if coldest_c is None:
            return []
        return breach(
            6, scene, vessel.name, f"cooler commanded on at {coldest_c:.2f} °C, below its limit of {limit_c:.2f} °C"
        )

    def _chilled(self, scene: Scene, command: Command) -> list[Breach]:
        bath, now_s, tag = scene.bath, command.at_s, command.tag
        if now_s - self._seen.strange_s < 600.0:
            return []
        quiet_s = bath.probes[0].quiet_s + self._seen.late_s(scene)
        unheard_s = now_s - self._seen.heard[bath.probes[0].tag].fit_s
        if unheard_s > quiet_s + 2.0 * SLACK_S:
            return breach(6, scene, "", f"{tag} commanded on with no reading of the bath for {unheard_s:.0f} s")
        limit_c = bath.glycol_freezing_c + bath.freeze_margin_k - TOLERANCE_K
        coldest_c = self._surely_below(scene, bath.probes, limit_c, now_s)
        if coldest_c is None:
            return []
        return breach(6, scene, "", f"{tag} commanded on, bath at {coldest_c:.2f} °C, its limit is {limit_c:.2f} °C")

    def _surely_below(self, scene: Scene, probes: Sequence[Probe], limit_c: float, now_s: float) -> float | None:
        """The coldest of what the probes showed in the two newest scans and since, if all of it is below a limit."""
        coldest_c = math.inf
        for probe in probes:
            known, looked_at = [], math.inf  # the newest that two scans have looked at, and what has come since
            for heard_s, celsius in reversed(self._seen.heard[probe.tag].readings):
                known.append(celsius)
                if heard_s < now_s - SLACK_S:
                    if heard_s <= looked_at - scene.scan_s + 1.0 < math.inf:
                        break
                    looked_at = min(looked_at, heard_s)
            else:
                return None
            if not all(celsius < limit_c and plausible(probe, celsius) for celsius in known):
                return None  # a code says nothing of the wort; blind cooling is for rule 2
            coldest_c = min(coldest_c, *known)
        return coldest_c

    def _scanned(self, scene: Scene, vessel: Vessel) -> list[Breach]:
        cooler, name, now_s = vessel.cooler, vessel.name, scene.now_s
        if cooler is None:
            return []
        if cooler.moves and not cooler.ordered:
            self._astray_s[name] = now_s
        found = self._near(scene, vessel) if cooler.ordered else []
        if not cooler.ordered:
            self._near_s.pop(name, None)
        freezing_c = vessel.freezing_c
        if vessel.wort_l <= 0.0 or vessel.coldest_c + _too_warm_k(vessel) >= freezing_c:
            self._frozen.discard(name)
            return found
        if name in self._frozen or not (cooler.ordered and cooler.moves):
            return found
        sound = all(not each.faults and now_s - each.faults_since_s > SOUND_S for each in vessel.probes)
        if not sound or now_s - self._astray_s.get(name, -math.inf) < SOUND_S or now_s - self._seen.strange_s < SOUND_S:
            return found
        self._frozen.add(name)
        text = f"the wort freezes ({vessel.coldest_c:.2f} °C; it freezes at {freezing_c:.2f} °C) while it is cooled"
        return [*found, *breach(6, scene, name, text)]

    def _near(self, scene: Scene, vessel: Vessel) -> list[Breach]:
        limit_c, name = self.limit_c(vessel), vessel.name
        newest = [self._seen.heard[probe.tag].readings for probe in vessel.probes]
        near = all(readings and readings[-1][1] < limit_c + NEAR_K for readings in newest)
        if not near or self._seen.calm_s(scene) < NEAR_S or scene.now_s - self._seen.reloaded_s < NEAR_S:
            self._near_s.pop(name, None)
            return []
        since_s = self._near_s.setdefault(name, scene.now_s)
        lasted_s = scene.now_s - since_s
        if lasted_s <= NEAR_S:
            return []
        self._near_s[name] = math.inf
        return breach(
            6,
            scene,
            name,
            f"cooler on for {lasted_s:.0f} s without a pause, within {NEAR_K} K of its limit of {limit_c:.2f} °C",
        )

    def _bath(self, scene: Scene) -> None:
        bath, now_s, daemon = scene.bath, scene.now_s, scene.daemons["a"]
        probe = bath.probes[0] if bath.probes else None
        cold = (
            probe is not None
            and not probe.faults
            and probe.heard_c is not None
            and now_s - probe.heard_s < probe.quiet_s
            and probe.heard_c < bath.glycol_freezing_c + bath.freeze_margin_k - BATH_K
            and now_s - max(daemon.started_s, probe.faults_since_s, self._seen.strange_s) > BATH_S
        )
        if cold:
            self._cold_bath = min(self._cold_bath, now_s)
            return
        if now_s - self._cold_bath > BATH_S:
            self._cold_baths.append((self._cold_bath, now_s))
        self._cold_bath = math.inf


def _proven_c(vessel: Vessel) -> float:
    """The freezing point by what operators have said of this batch; 0 °C where they have said too little."""
    told = vessel.told
    if told is None or told.og is None or not told.gravities:
        return 0.0
    lowest = min(min(each.entered for each in told.gravities), told.og)
    percent = 76.08 * (told.og - lowest) / (1.775 - told.og)
    return -KELVIN_PER_MOLAL * percent / ETHANOL_G_PER_MOL / (100.0 - percent) * 1000.0
