"""What happens in the month: three beers and a fourth, one thing after another going wrong beside them."""

import random
import signal
from collections.abc import Callable
from pathlib import Path

from controller.plant.brewer import Plan
from controller.plant.probe import Fault
from tests.month.plant import BEERS
from tests.month.world import World

HOUR_S = 3600.0
HOSTILE = (
    b"",
    b"\x00",
    b"nan",
    b"[" * 3000,
    b'{"amber/thermowell": 1e999}',
    b'{"bath/supply": null}',
    b"\xff\xfe",
    b"{}",
)


class Story:
    """The month, told to a world. `found` grows by a line for each thing that did not go as it should."""

    def __init__(self, world: World, tell: Callable[[str], object]) -> None:
        self.world, self._tell = world, tell
        self.found: list[str] = []

    def live_through(self) -> None:
        """All thirty days."""
        world = self.world
        plans = (("amber", "Amber No. 7", "clean-ale", 1), ("gold", "Gold No. 12", "quick-lager", 5))
        self._anna = world.comes("anna", *(Plan(v, name, p, BEERS[name], h * HOUR_S) for v, name, p, h in plans))
        self._bert = world.comes("bert", Plan("dark", "Dark No. 3", "strong-ale", BEERS["Dark No. 3"], 26 * HOUR_S))
        world.start()
        for day, happens in (
            (1.5, self.power_cut),
            (2.5, self.broker_dies),
            (3.0, self.the_files_are_read_again),
            (4.0, self.a_second_daemon),
            (4.5, self.network_time_is_lost),
            (6.0, self.a_rest_is_extended),
            (6.5, self.the_clock_runs_wrong),
            (8.4, self.a_quiet_night),
            (9.0, self.a_hostile_client),
            (10.0, self.a_probe_is_unplugged),
            (12.0, self.the_dark_beer_moves),
            (13.0, self.a_backup_is_made),
            (14.6, self.summer_time_ends),
            (15.7, self.a_beer_begun_elsewhere),
            (15.8, self.another_lager),
            (16.0, self.a_stop_for_maintenance),
            (29.0, self.everything_is_packaged),
        ):
            world.live_until(day)
            self._tell(f"day {world.day:5.2f}: {happens.__name__.replace('_', ' ')}")
            happens()
        world.live_until(30.0)

    # ---- what happens

    def power_cut(self) -> None:
        """The board loses its power for 40 minutes, in the middle of whatever it was doing."""
        self.world.slowly(100)  # else the disk, which is no faster than in life, is many of these minutes behind
        self.world.end(signal.SIGKILL)
        self.world.live(40 * 60.0)
        self.world.start()

    def broker_dies(self) -> None:
        """The broker's machine is away for half an hour."""
        self.world.restart_broker(1800.0)

    def the_files_are_read_again(self) -> None:
        """A change, a mistake, and a vessel with a batch left out."""
        world = self.world
        limits = "limits: {low: 1 C, high: 28 C}\n  - name: gold"
        world.rewrite(limits, limits.replace("\n", "\n    alarms: {deviation: 1.2 K}\n", 1))
        world.hang_up()
        world.rewrite("deviation: 1.2 K", "deviatoin: 1.2 K")
        world.hang_up()
        self.said_in_log("deviatoin")
        world.rewrite("deviatoin: 1.2 K", "deviation: 1.2 K")
        text = world.site.read_text()
        begin, end = text.index("  - name: gold"), text.index("  - name: spare")
        world.site.write_text(text[:begin] + text[end:])
        world.hang_up()
        self.said_in_log("has a batch in gold")
        world.site.write_text(text)

    def a_second_daemon(self) -> None:
        """Somebody starts the service again by hand."""
        answer = self.world.second_daemon()
        self.expect(answer.code == 1 and "another service" in answer.text, f"a second daemon: {answer}")

    def network_time_is_lost(self) -> None:
        """For a day and a half nobody can tell the time."""
        self.world.clock_error_s = None
        self.world.live(36 * HOUR_S)
        self.world.clock_error_s = 0.0

    def a_rest_is_extended(self) -> None:
        """The lager's first step of time gets six hours more, if it is in one; else the answer says why not."""
        answer = self.world.say("extend", "amber", "6 h")
        self.expect(answer.code in (0, 1), f"extend: {answer}")

    def the_clock_runs_wrong(self) -> None:
        """The machine's clock jumps seven hours ahead, then three behind, then is right."""
        for error_s in (7 * HOUR_S, -3 * HOUR_S, 0.0):
            self.world.clock_error_s = error_s
            self.world.live(6 * HOUR_S)

    def a_quiet_night(self) -> None:
        """No pumps under the bedroom for some hours, unless the beer drifts."""
        answer = self.world.say("quiet", "gold", "--for", "6 h", "--drift", "0.5 K")
        self.expect(answer.code == 0, f"quiet: {answer}")

    def a_hostile_client(self) -> None:
        """Rubbish on every topic that the daemon reads."""
        chance = random.Random(9)
        for _ in range(40):
            for _ in range(10):
                topic = chance.choice(("plant/probes", "cellarhand/month/gold/set", "cellarhand/month/amber/set"))
                self.world.shout(topic, chance.choice(HOSTILE))
            self.world.slowly(1)

    def a_probe_is_unplugged(self) -> None:
        """The dark beer's probe is out for two hours; somebody sees the alarm."""
        cellar = self.world.cellar
        cellar.fault("dark/thermowell", Fault.MISSING)
        self.world.live(HOUR_S)
        answer = self.world.say("acknowledge", "dark")
        self.expect(answer.code == 0, f"acknowledge: {answer}")
        self.world.live(HOUR_S)
        cellar.mend("dark/thermowell")

    def the_dark_beer_moves(self) -> None:
        """The dark beer is needed out of its vessel: outputs off, pump over, say so, outputs on again."""
        world = self.world
        off = world.say("mode", "dark", "off")
        dark, spare = world.cellar.vessels["dark"], world.cellar.vessels["spare"]
        wort_c, brew = world.cellar.wort_c("dark"), dark.brew
        dark.fill(None, 0.0)
        spare.fill(brew, wort_c)
        for answer in (off, world.say("move", "dark", "--to", "spare"), world.say("mode", "spare", "auto")):
            self.expect(answer.code == 0, f"move: {answer}")
        self._bert.follows("Dark No. 3", "spare")

    def a_backup_is_made(self) -> None:
        """While it runs."""
        answer = self.world.say("backup", str(self.backup))
        self.expect(answer.code == 0 and self.backup.exists(), f"backup: {answer}")

    def summer_time_ends(self) -> None:
        """Sunday 25 October has 25 hours."""
        self.world.live(24 * HOUR_S)

    def a_stop_for_maintenance(self) -> None:
        """Stopped by its service manager for ten minutes."""
        self.expect(self.world.end(signal.SIGTERM) == 0, "the stop was not clean")
        self.world.live(600.0)
        self.world.start()

    def a_beer_begun_elsewhere(self) -> None:
        """A beer that has begun at a neighbour's comes into the cellar; its brewer changes his mind twice."""
        world, beer = self.world, BEERS["Table No. 1"]
        self._anna.leaves("amber")
        self._bert.takes_over(Plan("amber", "Table No. 1", "clean-ale", beer, world.cellar.now_s))
        world.cellar.pitch("amber", beer.og, beer.attenuation_limit, beer.volume_l, beer.wort_c)
        volume = f"{beer.volume_l:g} L"
        for words in (
            ("start", "amber", "--batch", "Table No. 1", "--profile", "clean-ale", "--og", f"{beer.og}",
             "--volume", volume, "--step", "primary"),
            ("skip", "amber"),
            ("back", "amber"),
            ("service", "dark", "in"),
        ):  # fmt: skip
            answer = world.say(*words)
            self.expect(answer.code == 0, f"{words[0]}: {answer}")

    def another_lager(self) -> None:
        """The big vessel is filled again."""
        world = self.world
        self._anna.adds(
            Plan("gold", "Gold No. 13", "quick-lager", BEERS["Gold No. 13"], world.cellar.now_s + 4 * HOUR_S)
        )

    def everything_is_packaged(self) -> None:
        """What is left is taken out."""
        for vessel in ("amber", "gold", "spare"):
            if self.world.cellar.vessels[vessel].brew is not None:
                answer = self.world.say("packaged", vessel)
                self.expect(answer.code == 0, f"packaged: {answer}")
                self.world.cellar.package(vessel)

    # ---- what is found

    @property
    def backup(self) -> Path:
        """Where the backup goes."""
        return self.world.folder / "backup.sqlite"

    def said_in_log(self, words: str) -> None:
        """Note if the log does not say so."""
        self.expect(words in self.world.log.read_text(), f"the log does not say {words!r}")

    def expect(self, right: bool, otherwise: str) -> None:
        """Note what is not right."""
        if not right:
            self.found.append(f"day {self.world.day:.2f}: {otherwise}")
