"""A month of simulated life, through the real command, a real broker with TLS and a real store.

    python -m tests.bench.month [--keep DIRECTORY]

Prints what happens and what was found, and ends with 1 if anything is not as it should be. Needs mosquitto.
"""

import argparse
import shutil
import signal
import sys
import tempfile
from pathlib import Path
from time import monotonic

from controller.config import load_installation
from tests.month import judge
from tests.month.story import Story
from tests.month.world import DAY_S, World
from tests.servers import USER, Mosquitto


def month(folder: Path, keep: Path | None) -> list[str]:
    """Live through it; what was not as it should be."""
    broker = Mosquitto(folder)
    broker.start()
    block = f"{{host: 127.0.0.1, port: {broker.port}, user: {USER}, password_file: password}}"
    world = World(folder, broker, block)
    try:
        return _lived(world, keep)
    except BaseException:
        print(world.log.read_text()[-3000:])
        raise
    finally:
        world.close()
        broker.stop(signal.SIGKILL)


def _lived(world: World, keep: Path | None) -> list[str]:
    began = monotonic()
    story = Story(world, lambda line: print(line, flush=True))
    story.live_through()
    passed_s = monotonic() - began
    print(f"{world.day:.0f} days in {passed_s:.0f} s, {world.day * DAY_S / passed_s:.0f} times real time")
    read = world.say("log", "--since", "2026-10-01").text
    exported = world.say("export", str(world.folder / "csv"))
    story.expect(exported.code == 0, f"export: {exported}")
    story.expect(world.end(signal.SIGTERM) == 0, "the last stop was not clean")
    if keep is not None:
        keep.mkdir(exist_ok=True)
        (keep / "log").write_text(read)
        shutil.copy(world.folder / "state" / "history.sqlite", keep)
        (keep / "daemon.log").write_text(world.log.read_text())
        (keep / "messages").write_text("\n".join(f"{place}: {body}" for place, body in world.mail.bodies))
    store = world.folder / "state" / "history.sqlite"
    share, worst = judge.regulation(store)
    lines = world.log.read_text().count("\n")
    print(f"within {judge.CLOSE_K} K of a steady setpoint: {share:.1%} of the minutes of {worst}, the worst vessel")
    print(f"`log` of the month: {judge.words(read)} words, {judge.WORDS_IN_FIVE_MINUTES} are read in five minutes")
    print(f"the daemon's own log: {lines} lines; messages: {len(world.mail.bodies)}; heartbeats: {world.mail.beats}")
    print(f"looks at the cellar by the rules: {world.rules.looks}, broken: {len(world.rules.broken)}")
    for each in world.usage:
        print(f"  day {each.day:5.2f}: {each.rss_mb:.1f} MB, {each.threads} threads, {each.files} open files")
    found = [*story.found, *world.rules.broken]
    if share < judge.SHARE_CLOSE:
        found.append(f"{worst} was near its steady setpoint in {share:.1%} of the time only")
    if judge.words(read) > judge.WORDS_IN_FIVE_MINUTES:
        found.append("the log is too long to read in five minutes")
    found += judge.beers(store, world, load_installation(world.site).site.profiles)
    found += [*judge.sound(store), *judge.sound_backup(story.backup), *judge.messages(world)]
    found += judge.flat(world.usage, 18.0)
    return found


def main() -> int:
    """The command."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--keep", type=Path, metavar="DIRECTORY", help="leave the logs and the messages there")
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="month-") as folder:
        found = month(Path(folder), arguments.keep)
    for line in found:
        print(f"NOT RIGHT: {line}")
    print("the month ended right" if not found else f"{len(found)} things were not right")
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
