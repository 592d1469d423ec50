"""`cellarhand demo`: the service that `run` starts, on a broker of its own, with a simulated cellar at the other end.

Only the clock and the broker's address differ from a real run. The cellar speaks MQTT and nothing else.
"""

import asyncio
import sys
import tempfile
from dataclasses import replace
from pathlib import Path
from time import monotonic

import aiomqtt
from rich.console import Console
from rich.live import Live

from controller.clock import Clock
from controller.config import load_installation
from controller.control.site import Site
from controller.control.state import SiteState
from controller.control.step import StepResult
from controller.control.values import Record
from controller.demo_broker import NoBroker, demo_broker
from controller.demo_lockstep import DemoCellar, PlantClock
from controller.display import Display
from controller.hmi.chart import ChartRun, chart_html
from controller.hmi.live import HALF_DAY_S, event_line, live_view, plain_line
from controller.hmi.news import worth_reading
from controller.hmi.recorder import Recorder
from controller.hmi.summary import summaries, summary_text
from controller.hmi.tally import Tally
from controller.installation import Broker, Installation
from controller.runtime import Service, stop_on_signals
from controller.shipped import shipped_path

REDRAW_S = 0.25
DAY_S = 86400.0


def demo_installation(broker: Broker, state_dir: Path) -> Installation:
    """The demo's site file with the demo's own broker and directory in place of those it names."""
    installation = load_installation(shipped_path("demo-site.yaml"))
    return replace(installation, broker=broker, state_dir=state_dir)


def demo_service(installation: Installation, clock: Clock, spectator: "Spectator") -> Service:
    """The service of `run`, with the plant's clock."""
    return Service(installation, lambda start_s, not_before_utc_s: clock, spectator.see)


class Spectator:
    """Watches every scan: draws the live view or prints lines, and keeps what summary and chart need."""

    def __init__(self, console: Console) -> None:
        self.console = console
        self.display = Display()  # until the site file tells another
        self.tally, self.recorder = Tally(), Recorder()
        self.site: Site | None = None
        self.state: SiteState | None = None
        self.begin_s = 0.0
        self._recent: list[Record] = []
        self._began = self._drawn = monotonic()
        self._half_days = -1
        self.live = Live(console=console, auto_refresh=False) if console.is_terminal else None

    def see(self, site: Site, result: StepResult) -> None:
        """One scan's result."""
        dt_s = site.scan_s
        if self.state is None:
            self.begin_s = result.state.now_s
        else:
            dt_s = result.state.now_s - self.state.now_s
        self.site, self.state = site, result.state
        if dt_s > 0.0:
            self.tally.add(site, result.state, dt_s, result.records)
            self.recorder.add(site, result.state, dt_s, result.records)
        if self.live is None:
            self._print(site, result)
        else:
            self._draw(self.live, site, result)

    def _print(self, site: Site, result: StepResult) -> None:
        for record in result.records:
            if worth_reading(record):
                self.console.print(event_line(record, self.begin_s, self.display), markup=False, highlight=False)
        half_days = int((result.state.now_s - self.begin_s) // HALF_DAY_S)
        if half_days > self._half_days:
            self._half_days = half_days
            line = plain_line(site, result.state, self.begin_s, self.display)
            self.console.print(line, markup=False, highlight=False)

    def _draw(self, live: Live, site: Site, result: StepResult) -> None:
        self._recent = [*self._recent, *(record for record in result.records if worth_reading(record))][-2:]
        now = monotonic()
        if now - self._drawn < REDRAW_S:
            return
        self._drawn = now
        speed = (result.state.now_s - self.begin_s) / max(now - self._began, 1e-3)
        live.update(live_view(site, result.state, self.begin_s, speed, self.display, self._recent), refresh=True)


def run_demo(days: float, speed: float | None, chart: Path) -> int:
    """Run the demo for `days` of its own time, `speed` simulated seconds a second (None: as fast as it goes),
    print the summary and write the chart. Exit code 0, or 1 without a broker or a place for the chart."""
    spectator = Spectator(Console(soft_wrap=True))
    folder = chart.absolute().parent
    if not folder.is_dir() or chart.is_dir():
        missing = f"{chart} is a directory" if chart.is_dir() else f"there is no directory {folder} for the chart"
        print(f"{missing}; name a file with --chart; nothing was started", file=sys.stderr)
        return 1
    try:
        with tempfile.TemporaryDirectory(prefix="cellarhand-demo-") as directory:
            asyncio.run(_play(Path(directory), days * DAY_S, speed, spectator))
    except NoBroker as missing:
        print(missing, file=sys.stderr)
        return 1
    except BaseExceptionGroup as faults:
        if faults.split(aiomqtt.MqttError)[1] is not None:
            raise
        print("the demo's broker has gone away, and with it the demo", file=sys.stderr)
        return 1
    return _conclude(spectator, chart)


async def _play(directory: Path, duration_s: float, speed: float | None, spectator: Spectator) -> None:
    stop = asyncio.Event()
    stop_on_signals(stop)
    async with demo_broker(directory) as (program, broker):
        installation = demo_installation(broker, directory / "state")
        spectator.display = installation.display
        clock = PlantClock(broker)
        service = demo_service(installation, clock, spectator)
        clock.received = service.received
        cellar = DemoCellar(installation, duration_s, speed)
        spectator.console.print(
            f"Three simulated fermentations, {program} on 127.0.0.1:{broker.port}; Ctrl-C ends with the summary."
        )
        if spectator.live:
            spectator.live.start()
        try:
            async with asyncio.TaskGroup() as tasks:
                ticking = tasks.create_task(clock.run())
                serving = tasks.create_task(service.run(stop))
                playing = tasks.create_task(cellar.play(service.link, stop))
                await serving
                playing.cancel()
                ticking.cancel()
        finally:
            if spectator.live:
                spectator.live.stop()


def _conclude(spectator: Spectator, chart: Path) -> int:
    site, state = spectator.site, spectator.state
    if site is None or state is None or state.now_s <= spectator.begin_s:
        print("the demo ended before anything happened", file=sys.stderr)
        return 1
    width, display = spectator.console.width, spectator.display
    spectator.console.print(summary_text(spectator.tally, display, width), markup=False, highlight=False)
    page = chart_html(
        ChartRun(
            title="Three fermentations on one glycol bath",
            subtitle="A simulated cellar, regulated over MQTT.",
            from_s=spectator.begin_s,
            to_s=state.now_s,
            traces=list(spectator.recorder.traces.values()),
            surroundings=spectator.recorder.surroundings,
            marks=spectator.recorder.marks,
            summaries=summaries(spectator.tally, display),
            display=display,
            start_utc_s=None if state.utc_s is None else state.utc_s - (state.now_s - spectator.begin_s),
        )
    )
    try:
        chart.write_text(page, encoding="utf-8")
    except OSError as error:
        print(f"the chart could not be written to {chart}: {error.strerror}", file=sys.stderr)
        return 1
    spectator.console.print(f"The chart is in {chart.absolute()}")
    return 0
