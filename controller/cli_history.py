"""The commands about what was: `log`, `export`, `backup`, `restore`. They read the store itself, whether a daemon runs
or not."""

import argparse
import os
import re
import sys
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TypeVar

from controller import quantities
from controller.cli_parser import DONE, REFUSED, Commands, examples
from controller.control.values import RecordKind
from controller.display import Display
from controller.faults import Wrong, shown
from controller.nearest import nearest

T = TypeVar("T")

_AGO = re.compile(r"(.*\S)\s+ago")
_TIME = 'such as 2026-11-03, "2026-11-03 18:00" (local time of the site) or "2 d" (ago)'
_DAY = re.compile(r"\d{4}-?\d{2}-?\d{2}")
LINES = 50  # of the log, where nothing says how far back


def add_history_commands(commands: Commands) -> None:
    """Adds the four commands to the command line."""
    _add_log(commands)
    _add_export(commands)
    backup = commands.add_parser(
        "backup",
        help="copy the store into a file, while the daemon runs or not",
        description="Copy the whole store, as it is at this moment, into one file, and read the copy through. The "
        "daemon may go on. Keep the file on another disk.",
        epilog=examples("cellarhand backup /media/stick/cellar.backup --site site.yaml"),
    )
    backup.add_argument("file", metavar="FILE", type=Path, help="where the copy goes; must not be there yet")
    restore = commands.add_parser(
        "restore",
        help="put a backup in the place of the store; the daemon must not run",
        description="Read a backup through and put a copy of it in the place of the store. The store that is there is "
        "moved aside, not deleted. Refused while a daemon runs. After it, every batch is where it was when the backup "
        "was made: look at each vessel before the daemon drives again.",
        epilog=examples("cellarhand restore /media/stick/cellar.backup --site site.yaml"),
    )
    restore.add_argument("file", metavar="FILE", type=Path, help="the backup")
    for parser, run in ((backup, _backup), (restore, _restore)):
        _add_store_options(parser)
        parser.set_defaults(run=_carefully(run))


def _add_log(commands: Commands) -> None:
    log = commands.add_parser(
        "log",
        help="what happened, and why",
        description="What happened, one event a line, the newest last. Outputs that switched and actions that were "
        "done are most of the lines and left out, unless asked for.",
        epilog=examples(
            "cellarhand log --site site.yaml",
            'cellarhand log --vessel fv1 --since "2 d"',
            "cellarhand log --batch 44 --last 500",
            "cellarhand log --alarms --since 2026-11-01 --until 2026-11-03",
            "cellarhand log --kind output --vessel fv1 --json",
        ),
    )
    log.add_argument("--vessel", metavar="VESSEL", help="only of this vessel")
    log.add_argument("--batch", metavar="BATCH", help="only of this batch, in whichever vessel it was")
    kinds = log.add_mutually_exclusive_group()
    kinds.add_argument("--alarms", action="store_true", help="only alarms")
    kinds.add_argument(
        "--kind", metavar="KIND", action="append", help=f"only of this kind: {', '.join(k.value for k in RecordKind)}"
    )
    kinds.add_argument("--all", action="store_true", help="outputs and done actions too")
    log.add_argument("--since", metavar="TIME", help=_TIME)
    log.add_argument("--until", metavar="TIME", help="the same; a day counts to its end")
    log.add_argument(
        "--last", metavar="N", type=_count, help=f"at most so many (default {LINES}; all with --since, --batch)"
    )
    log.add_argument("--json", action="store_true", help="one JSON object a line, for programs")
    _add_store_options(log)
    log.set_defaults(run=_carefully(_log))


def _add_export(commands: Commands) -> None:
    export = commands.add_parser(
        "export",
        help="the history as files for a spreadsheet or another program",
        description="Write events and temperatures to one file for each table: records (events), samples (every 10 s "
        "by default, the last weeks), minutes (about a year), quarters (of an hour, for ever). Times in UTC and local "
        "time, temperatures in the site's unit.",
        epilog=examples(
            "cellarhand export ~/cellar-2026 --site site.yaml",
            'cellarhand export batch-44 --table minutes --table records --vessel fv1 --since "14 d"',
            "cellarhand export for-analysis --format parquet",
        ),
    )
    export.add_argument("folder", metavar="FOLDER", type=Path, help="where the files go; made if there is none")
    export.add_argument("--table", metavar="TABLE", action="append", help="only this of the four (default all)")
    export.add_argument("--format", choices=("csv", "parquet"), default="csv", help="csv (default), or parquet")
    export.add_argument("--vessel", metavar="VESSEL", help="only of this vessel, or probe of bath or room")
    export.add_argument("--since", metavar="TIME", help=_TIME)
    export.add_argument("--until", metavar="TIME", help="the same; a day counts to its end")
    _add_store_options(export)
    export.set_defaults(run=_carefully(_export))


def _add_store_options(parser: argparse.ArgumentParser) -> None:
    site = os.environ.get("CELLARHAND_SITE")
    parser.add_argument("--site", metavar="FILE", default=site, help="the daemon's site file [CELLARHAND_SITE]")
    parser.add_argument("--store", metavar="FILE", type=Path, help="the store itself, or a backup of one")


def _carefully(run: Callable[[argparse.Namespace], int]) -> Callable[[argparse.Namespace], int]:
    def with_words(arguments: argparse.Namespace) -> int:
        from controller.historian.faults import HistoryError

        try:
            return run(arguments)
        except HistoryError as error:
            print(error, file=sys.stderr)
            return REFUSED

    return with_words


def _log(arguments: argparse.Namespace) -> int:
    from controller.historian.query import RecordFilter, read_names, read_records
    from controller.hmi.news import for_reading
    from controller.record_lines import record_json, record_lines

    store, display = _store_of(arguments)
    names = read_names(store)
    _known("vessel", arguments.vessel, names.vessels)
    _known("batch", arguments.batch, names.batches)
    everything = bool(arguments.all or arguments.kind or arguments.alarms)
    limit = arguments.last or (None if arguments.since or arguments.batch else LINES)
    records = read_records(
        store,
        RecordFilter(
            vessel=arguments.vessel,
            batch=arguments.batch,
            kinds=_kinds(arguments),
            without_done=not everything,
            since_utc_s=_utc_s(arguments.since, display, date_ends=False),
            until_utc_s=_utc_s(arguments.until, display, date_ends=True),
            limit=limit,
        ),
    )[::-1]
    if not everything:
        records = tuple(for_reading(records))
    for line in (record_json if arguments.json else record_lines)(records, display):
        print(line)
    if not records:
        print("nothing of that kind in the store", file=sys.stderr)
    elif limit is not None and not arguments.last:
        print(f"among the newest {limit}; --since or --last N shows more", file=sys.stderr)
    return DONE


def _kinds(arguments: argparse.Namespace) -> frozenset[RecordKind] | None:
    if arguments.alarms:
        return frozenset([RecordKind.ALARM])
    if arguments.kind:
        kinds = {each.value: each for each in RecordKind}
        for word in arguments.kind:
            _known("kind", word, tuple(kinds))
        return frozenset(kinds[word] for word in arguments.kind)
    return None if arguments.all else frozenset(RecordKind) - {RecordKind.OUTPUT}


def _export(arguments: argparse.Namespace) -> int:
    from controller.export import TABLES, Span, count, export
    from controller.historian.query import read_names
    from controller.progress import progress

    store, display = _store_of(arguments)
    tables = arguments.table or TABLES
    for table in tables:
        _known("table", table, TABLES)
    _known("vessel", arguments.vessel, read_names(store).vessels)
    since_s = _utc_s(arguments.since, display, date_ends=False)
    span = Span(since_s, _utc_s(arguments.until, display, date_ends=True), arguments.vessel)
    for table in dict.fromkeys(tables):
        with progress(table, count(store, table)) as advance:
            target, rows = export(store, arguments.folder, table, arguments.format, display, span, advance)
        print(f"{target}: {rows} rows")
    return DONE


def _backup(arguments: argparse.Namespace) -> int:
    from controller.historian.backup import back_up

    store, _ = _store_of(arguments)
    _with_progress("backup", lambda told: back_up(store, arguments.file, told))
    size = arguments.file.stat().st_size
    print(f"{arguments.file}: a copy of {store}, read through and found good, {size / 1e6:.1f} MB")
    return DONE


def _restore(arguments: argparse.Namespace) -> int:
    from controller.historian.backup import restore

    store, display = _store_of(arguments)
    done = _with_progress("restore", lambda told: restore(store, arguments.file, told))
    moved = f"; the store that was there is now {done.aside}" if done.aside else ""
    print(f"{store}: restored from {arguments.file}{moved}")
    if done.state:
        print(f"as it was at {display.time_text(done.state.utc_s, done.state.now_s)}:")
        for name, vessel in done.state.vessels.items():
            batch = f"batch {vessel.batch.name}, {vessel.condition.value}" if vessel.batch else "no batch"
            print(f"  {name}: {batch}")
        print("look at each vessel before you start the daemon: it goes on from there")
    return DONE


def _with_progress(text: str, work: Callable[[Callable[[int, int], None]], T]) -> T:
    from controller.progress import progress

    with progress(text, 1.0) as advance:
        done = 0.0

        def told(left: int, whole: int) -> None:
            nonlocal done
            share = 1.0 - left / whole if whole else 1.0
            advance(share - done)
            done = share

        return work(told)


def _store_of(arguments: argparse.Namespace) -> tuple[Path, Display]:
    from controller.config import load_installation
    from controller.journal import store_path

    if not arguments.site:
        if not arguments.store:
            raise Wrong("no store to read", "--site FILE or --store FILE, or CELLARHAND_SITE in the environment")
        return arguments.store, Display()
    installation = load_installation(Path(arguments.site))
    return arguments.store or store_path(installation.state_dir), installation.display


def _known(what: str, found: str | None, known: tuple[str, ...]) -> None:
    if found is not None and found not in known:
        raise Wrong(
            f"the {what} {shown(found)}", nearest(found, known) or ", ".join(known) or f"no {what} is known yet"
        )


def _utc_s(text: str | None, display: Display, date_ends: bool) -> float | None:
    """A time as a person says it, in UTC: ISO 8601, local where no zone is said, or how long ago."""
    if text is None:
        return None
    text = text.strip()
    try:
        when = datetime.fromisoformat(text)
    except ValueError:
        ago = _AGO.fullmatch(text)
        try:
            return datetime.now(UTC).timestamp() - quantities.duration_s(ago[1] if ago else text)
        except Wrong:
            raise Wrong(f"the time {shown(text)}", _TIME) from None
    try:
        if date_ends and _DAY.fullmatch(text):
            when += timedelta(days=1)
        return (when if when.tzinfo else when.replace(tzinfo=display.zone)).timestamp()
    except OverflowError:  # at the ends of the calendar
        raise Wrong(f"the time {shown(text)}", _TIME) from None


def _count(text: str) -> int:
    if not text.strip().isdecimal() or int(text) == 0:
        raise argparse.ArgumentTypeError(f"must be a whole number above 0, found {shown(text)}")
    return int(text)
