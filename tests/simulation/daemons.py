"""The daemons of a story: started, stopped, killed, reread, and started again by the service manager when they fail."""

import random
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from controller.config import load_installation
from controller.control.site import Site
from controller.control.step import StepResult
from controller.faults import FileFaults
from controller.installation import Installation
from tests.simulation.board import Board
from tests.simulation.broker import Broker
from tests.simulation.disk import Disk
from tests.simulation.layout import PROFILES, Layout, changed
from tests.simulation.network import Message
from tests.simulation.scene import Daemon, Ended, Event, Logged, Record, Reloaded, Scene, Started
from tests.simulation.site_file import site_text
from tests.simulation.stage import adopt
from tests.simulation.story import Reload
from tests.simulation.torn import TornDisk
from tests.simulation.virtual import Calendar

MANAGER_WAITS_S = 5.0  # the service manager's pause before it starts a daemon again that has failed
RELOAD_WITHIN_S = 5.0
TORN_SHARE = 0.05  # of stories with a real file, which take twice as long
NAMES = ("a", "b")  # "b" is the one that should not be there


class Daemons:
    """The boards "a" and "b" with their daemons. `tell` takes events, `arrived` each message that reaches one of them;
    `scanned` is true after a scan until it is set back."""

    def __init__(
        self,
        seed: str,
        layout: Layout,
        scene: Scene,
        calendar: Calendar,
        broker: Broker,
        folder: Path,
        tell: Callable[[Event], None],
        arrived: Callable[[str, Message, bool], None],
    ) -> None:
        self._layout, self._scene, self._calendar, self._folder = layout, scene, calendar, folder
        self._tell, self._arrived = tell, arrived
        self._lines: dict[tuple[str, int], tuple[float, float]] = {}  # where each run's time line began
        self._after_scan: list[tuple[float, Callable[[], None]]] = []
        self.scanned = False
        self.boards = {name: self._board(name, seed, broker) for name in NAMES}

    def _board(self, name: str, seed: str, broker: Broker) -> Board:
        folder = self._folder / name
        (folder / "profiles").mkdir(parents=True)
        for profile, text in PROFILES.items():
            (folder / "profiles" / f"{profile}.yaml").write_text(text)
        (folder / "site.yaml").write_text(site_text(self._layout))
        self._scene.daemons[name] = Daemon(name, f"cellarhand-{self._scene.site}")
        chance = random.Random(f"{seed}/{name}/disk")
        disk = TornDisk(chance) if name == "a" and chance.random() < TORN_SHARE else Disk(chance)
        return Board(name, seed, self._calendar, broker, folder, disk)

    def start(self, name: str) -> None:
        """Start a daemon that does not run."""
        board, daemon, now_s = self.boards[name], self._scene.daemons[name], self._calendar.now_s
        if board.run is not None and board.run.alive:
            return
        site_file = board.folder / "site.yaml"
        daemon.runs += 1
        run = daemon.runs
        try:
            installation = load(site_file)
        except FileFaults as error:
            board.runs += 1
            self._tell(Started(now_s, name, run, None))
            self._tell(Ended(now_s, name, run, "refused", 2, self._plain(str(error))))
            self._calendar.after(MANAGER_WAITS_S, self.start, name)
            return
        daemon.running, daemon.started_s, daemon.scans = True, now_s, 0
        daemon.connected_s, daemon.taken_over = None, False

        def began(line_s: float) -> None:
            self._lines[name, run] = (self._calendar.now_s, line_s)
            self._tell(Started(self._calendar.now_s, name, run, line_s))

        def scanned(site: Site, result: StepResult) -> None:
            self._scanned(board, daemon)

        def ended(how: str, why: str) -> None:
            self._gone(name, how, 0 if how == "stopped" else 1, self._plain(why))
            if how != "stopped":
                self._calendar.after(MANAGER_WAITS_S, self.start, name)

        board.start(installation, lambda: load(site_file), scanned, began, ended, self._arrived)

    def stop(self, name: str) -> None:
        """SIGTERM."""
        run = self.boards[name].run
        if run is not None and run.alive:
            run.stop()

    def kill(self, name: str, power: bool) -> None:
        """Kill the process, or take the power from its machine."""
        self.boards[name].cut(power)
        self._gone(name, "power" if power else "killed", None)

    def after_scan(self, seconds: float, act: Callable[[], None]) -> None:
        """Do something so long after the next scan of "a"."""
        self._after_scan.append((seconds, act))

    def reload(self, change: Reload) -> None:
        """Change the site file of "a" and send SIGHUP; one that is refused is put back as it was."""
        board, before = self.boards["a"], self._layout
        text = site_text(before).replace("limits:", "limit:", 1)
        if not change.spoilt:
            self._layout = changed(before, change.vessel, **dict(change.figures))
            text = site_text(self._layout)
        (board.folder / "site.yaml").write_text(text)
        run = board.run
        old = run.service.installation if run is not None and run.alive else None
        if run is not None:
            run.reload()
        self._calendar.after(RELOAD_WITHIN_S, self._reloaded, change, old, before)

    def _reloaded(self, change: Reload, old: Installation | None, before: Layout) -> None:
        board = self.boards["a"]
        run = board.run
        now = run.service.installation if run is not None and run.alive else None
        accepted = now is not old if old is not None and now is not None else not change.spoilt
        if accepted:
            adopt(self._layout, self._scene)
        else:
            self._layout = before
            (board.folder / "site.yaml").write_text(site_text(before))
        self._tell(Reloaded(self._calendar.now_s, "a", change.sentence(), accepted))

    def log(self, board: str, level: str, text: str) -> None:
        """Take in a line of a daemon's log."""
        self._tell(Logged(self._calendar.now_s, board, level, self._plain(text)))

    def records(self) -> list[Record]:
        """What the stores hold, with the true time of each record."""
        found = []
        for name, board in self.boards.items():
            for number, (run, record) in enumerate(board.disk.records()):
                true_s, line_s = self._lines[name, run]
                found.append(
                    Record(
                        number, name, run, true_s + record.at_s - line_s, record.at_s, record.utc_s, record.vessel,
                        record.kind.value, record.subject, record.value, self._plain(record.reason), record.who,
                    )
                )  # fmt: skip
        return found

    def _scanned(self, board: Board, daemon: Daemon) -> None:
        run = board.run
        assert run is not None
        link, now_s = run.service.link, self._calendar.now_s
        daemon.scans += 1
        daemon.scanned_s = now_s
        daemon.taken_over = link.taken_over
        if not link.connected:
            daemon.connected_s = None
        elif daemon.connected_s is None:
            daemon.connected_s = now_s
        self.scanned = True
        for text in run.loop.troubles:
            self._tell(Logged(now_s, board.name, "exception", self._plain(text)))
        run.loop.troubles.clear()
        if self._after_scan and board.name == "a":
            for seconds, act in self._after_scan:
                self._calendar.after(seconds, act)
            self._after_scan.clear()

    def _gone(self, name: str, how: str, code: int | None, why: str = "") -> None:
        daemon = self._scene.daemons[name]
        if daemon.running:
            daemon.running, daemon.ended_s, daemon.connected_s = False, self._calendar.now_s, None
            self._tell(Ended(self._calendar.now_s, name, daemon.runs, how, code, why))

    def _plain(self, text: str) -> str:
        """The text without the name of the folder, which differs from play to play."""
        return text.replace(str(self._folder), "")


_loaded: dict[str, Installation] = {}


def load(site_file: Path) -> Installation:
    """The installation of a site file, by the real loader, which reads the same text only once."""
    text = site_file.read_text()
    if text not in _loaded:
        if len(_loaded) > 20:
            _loaded.clear()
        _loaded[text] = load_installation(site_file)
    return replace(_loaded[text], state_dir=site_file.parent / "state")
