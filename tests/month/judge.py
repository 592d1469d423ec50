"""What a month is held to, judged from the store, the messages, the cellar and the log; not from the daemon's word."""

import re
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import closing
from pathlib import Path

from controller.control.course import Profile
from controller.plant.yeast import gravity, plato
from tests.month.plant import BEERS
from tests.month.world import Usage, World

WORDS_IN_FIVE_MINUTES = 5 * 238  # M. Brysbaert, J. Memory and Language 109 (2019) 104047: 238 words a minute, silently
CLOSE_K = 0.5
SHARE_CLOSE = 0.95  # of all minutes with a setpoint, pull-downs and ramps left out; our choice
GRAVITY_NEAR = 0.002  # two readings of a hydrometer; common practice, no source
FLAT_MB = 4.0


def beers(store: Path, world: World, profiles: Mapping[str, Profile]) -> Iterator[str]:
    """Each batch: steps in the order of its profile, none left out but what a person skipped, gravity where the wort
    and the yeast lead to, packaged."""
    with closing(sqlite3.connect(store)) as history:
        rows = history.execute("SELECT vessel, kind, subject, value, reason FROM records ORDER BY id").fetchall()
    for name, beer in BEERS.items():
        done = {row[3] for row in rows if row[1:3] == ("batch", name)}
        if not {"started", "packaged"} <= done:
            yield f"{name} was not {'packaged' if 'started' in done else 'started'}"
            continue
        if name == "Table No. 1":  # half a month is not enough, and its brewer went back and forth
            continue
        begun = list(dict.fromkeys(_steps_begun(rows, name)))
        profile = profiles[_profile_of(rows, name, profiles)]
        planned = [step.name for step in profile.steps][1:]  # the first begins with the batch
        if begun != planned[: len(begun)] or len(begun) < len(planned) - 1:
            yield f"{name}: its steps were {begun}, the profile has {planned}"
        expected = gravity(plato(beer.og) * (1.0 - beer.attenuation_limit))
        entered = [float(row[3]) for row in _rows_of(rows, name) if row[1:3] == ("batch", "gravity")]
        if not entered or abs(entered[-1] - expected) > GRAVITY_NEAR:
            yield f"{name}: the last gravity is {entered[-1:]}, expected {expected:.3f}"
    for name, coldest_c in world.rules.coldest_c.items():
        if coldest_c < 1.0:  # the site's hard limit
            yield f"{name}: the wort was at {coldest_c:.2f} °C"


def _rows_of(rows: list[tuple[str, str, str, str, str]], batch: str) -> Iterator[tuple[str, str, str, str, str]]:
    """The records of a batch, through its vessels."""
    vessel = ""
    for row in rows:
        if row[1] == "batch" and row[2] == batch:
            if row[3] in ("started", "moved here"):
                vessel = row[0]
            if row[3] == "packaged":
                return
        if row[0] == vessel:
            yield row


def _steps_begun(rows: list[tuple[str, str, str, str, str]], batch: str) -> Iterator[str]:
    return (row[2] for row in _rows_of(rows, batch) if row[1] == "step" and row[3] == "begun")


def _profile_of(rows: list[tuple[str, str, str, str, str]], batch: str, profiles: Mapping[str, Profile]) -> str:
    follows = next(row[4] for row in rows if row[1:4] == ("batch", batch, "started"))
    return next(name for name, profile in profiles.items() if follows.endswith(profile.title))


def regulation(store: Path) -> tuple[float, str]:
    """The share of minutes within half a kelvin of a setpoint that had not moved for a day, and the worst vessel."""
    with closing(sqlite3.connect(store)) as history:
        names = dict(history.execute("SELECT idx, name FROM vessels"))
        rows = history.execute(
            "SELECT key % 256, mean, setpoint_low, setpoint_high FROM minutes WHERE setpoint_low IS NOT NULL "
            "AND mean IS NOT NULL ORDER BY key"
        ).fetchall()
    still: dict[int, tuple[int, int]] = {}  # setpoint, minutes
    good: dict[str, int] = {}
    total: dict[str, int] = {}
    for index, mean, low, high in rows:
        setpoint, minutes = still.get(index, (low, 0))
        still[index] = (low, minutes + 1 if setpoint == low else 0)
        if low == high and still[index][1] > 1440:
            name = names[index]
            total[name] = total.get(name, 0) + 1
            good[name] = good.get(name, 0) + (abs(mean - low) <= 100.0 * CLOSE_K)
    shares = {name: good[name] / total[name] for name in total}
    worst = min(shares, key=lambda name: shares[name])
    return shares[worst], worst


def sound(store: Path) -> Iterator[str]:
    """The store."""
    with closing(sqlite3.connect(store)) as history:
        found = [row[0] for row in history.execute("PRAGMA integrity_check")]
        if found != ["ok"]:
            yield f"the store: {found[:3]}"
        count = history.execute("SELECT count(*) FROM quarters").fetchone()[0]
        if count < 29 * 96:
            yield f"only {count} quarters of an hour in the store"


def sound_backup(backup: Path) -> Iterator[str]:
    """The backup that was made while the daemon ran."""
    with closing(sqlite3.connect(backup)) as history:
        found = [row[0] for row in history.execute("PRAGMA integrity_check")]
        state = history.execute("SELECT count(*) FROM state").fetchone()[0]
    if found != ["ok"] or state != 1:
        yield f"the backup: {found[:3]}, {state} states"


def messages(world: World) -> Iterator[str]:
    """What people were told."""
    book = "\n".join(body for place, body in world.mail.bodies if place == "book")
    phone = "\n".join(body for place, body in world.mail.bodies if place == "phone")
    # What the store has may be a minute older than the cut, and the start takes its time.
    if not re.search(r"\b(40|41|42) min without control", book):
        yield "no message says that the power was away for 40 minutes"
    days = len(re.findall(r"well", book))
    if days < 20:
        yield f"only {days} daily messages in thirty days"
    if "dark" not in phone:
        yield "the phone did not hear of the unplugged probe"
    if not world.mail.beats:
        yield "no heartbeat"


def flat(usage: list[Usage], from_day: float) -> Iterator[str]:
    """What the daemon holds, from a day on: the second half of the days against the first. Messages are delivered in
    threads that come and go, so the most of each half counts."""
    later = [each for each in usage if each.day >= from_day]
    early, late = later[: len(later) // 2], later[len(later) // 2 :]
    for name, allowed in (("rss_mb", FLAT_MB), ("threads", 1), ("files", 1)):
        before, after = (max(getattr(each, name) for each in half) for half in (early, late))
        if after - before > allowed:
            yield f"{name} has grown from {before} to {after}"


def words(log: str) -> int:
    """How many words a person has to read: headings and sentences. The columns of time and place are looked at."""
    return sum(len(line.split()[2:] if line.startswith("  ") else line.split()) for line in log.splitlines())
