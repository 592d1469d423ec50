"""A cellar whose scans are told to somebody: short ways to make a state, and to let time pass."""

from datetime import datetime
from datetime import time as clock
from zoneinfo import ZoneInfo

from controller.control.state import AlarmPhase, AlarmState, SiteState
from controller.control.values import Record
from controller.display import Display
from controller.hmi.messages import Memory, Message, Resumed, Teller
from tests.hmi.factories import busy_cellar, site

BERLIN = ZoneInfo("Europe/Berlin")
DISPLAY = Display(zone=BERLIN)
PLANT = site()
MINUTE, HOUR, DAY = 60.0, 3600.0, 86400.0
UNACKNOWLEDGED, ACKNOWLEDGED = AlarmPhase.UNACKNOWLEDGED, AlarmPhase.ACKNOWLEDGED


def utc(local: str, fold: int = 0) -> float:
    """UTC in s of a wall clock time in Berlin, such as "2026-11-03 18:04"."""
    return datetime.fromisoformat(local).replace(tzinfo=BERLIN, fold=fold).timestamp()


NOON_UTC_S = utc("2026-11-03 12:00")


class Cellar:
    """The teller of a cellar and its time. The service line starts at 0 s, UTC (unless None) at noon."""

    def __init__(
        self,
        daily_at: clock | None = None,
        memory: Memory | None = None,
        resumed: Resumed | None = None,
        utc_s: float | None = NOON_UTC_S,
        display: Display = DISPLAY,
        now_s: float = 0.0,
    ) -> None:
        self.now_s, self.utc_s = now_s, utc_s
        self.alarms: dict[str, AlarmState] = {}
        self.state = busy_cellar(PLANT)._replace(alarms={})
        self.troubles: dict[str, str] = {}
        self.teller = Teller(display, daily_at, memory or Memory(), resumed)

    def scan(self, *records: Record) -> list[Message]:
        """One scan at this moment."""
        return self.teller.see(PLANT, self.now(), records, self.troubles)

    def now(self) -> SiteState:
        """The state at this moment; while UTC is not trusted it only guesses."""
        since_s = None if self.utc_s is not None else 0.0
        utc_s = self.utc_s if self.utc_s is not None else NOON_UTC_S - 5 * HOUR + self.now_s  # a guess
        return self.state._replace(now_s=self.now_s, utc_s=utc_s, outage_since_s=since_s, alarms=dict(self.alarms))

    def after(self, seconds: float, every_s: float = 5.0) -> list[Message]:
        """All that is said while so much time passes, a scan each `every_s`."""
        said = []
        end_s = self.now_s + seconds
        while self.now_s < end_s:
            passed_s = min(every_s, end_s - self.now_s)
            self.now_s += passed_s
            self.utc_s = None if self.utc_s is None else self.utc_s + passed_s
            said += self.scan()
        return said

    def raises(self, key: str, text: str = "", phase: AlarmPhase = UNACKNOWLEDGED) -> list[Message]:
        """The alarm is raised now."""
        self.alarms[key] = AlarmState(phase, self.now_s, self.now_s, text)
        return self.scan()

    def acknowledges(self, key: str) -> list[Message]:
        """A person has seen it."""
        self.alarms[key] = self.alarms[key]._replace(phase=ACKNOWLEDGED)
        return self.scan()

    def ends(self, key: str) -> list[Message]:
        """Its condition is over."""
        del self.alarms[key]
        return self.scan()


def titles(messages: list[Message]) -> list[str]:
    """What is read first."""
    return [message.title for message in messages]
