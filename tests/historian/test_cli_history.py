"""What a brewer asks of the record on the command line. Times are those of the site: 1 790 000 000 s since 1970 are
Monday 2026-09-21 14:13:20 UTC, 16:13:20 in Vienna (date(1) of GNU coreutils says so)."""

import argparse
import csv
import json
import sqlite3
import sys
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest

from controller.cli_history import add_history_commands
from controller.cli_parser import Parser
from controller.control.values import Record, RecordKind
from controller.faults import Wrong
from controller.historian.query import read_records, read_saved_state
from controller.historian.store import open_store
from controller.journal import store_path
from tests.config.site_files import SITE, write_site
from tests.historian.cellars import FRIDAY, a_sample, brewing

MONDAY = FRIDAY  # the same instant by its day
DAY_S = 86400.0


def cellarhand(*words: str | Path) -> int:
    parser = Parser(prog="cellarhand")
    add_history_commands(parser.add_subparsers(parser_class=Parser))
    arguments: argparse.Namespace = parser.parse_args([str(word) for word in words])
    return int(arguments.run(arguments))


def event(at_s: float, vessel: str, kind: RecordKind, subject: str, value: str, reason: str, who: str = "") -> Record:
    return Record(at_s, MONDAY + at_s, vessel, kind, subject, value, reason, who)


HAPPENED = (
    event(0.0, "fv1", RecordKind.BATCH, "44", "started", "44 follows Ale", "page"),
    event(0.0, "fv1", RecordKind.ACTION, "a-1", "done", "44 follows Ale", "page"),
    event(60.0, "fv1", RecordKind.OUTPUT, "fv1/cooler", "on", "wort 0.4 K above setpoint"),
    event(100.0, "fv2", RecordKind.BATCH, "45", "started", "45 follows Ale", "page"),
    event(3600.0, "fv1", RecordKind.ALARM, "deviation", "active, unacknowledged", "wort 1.2 K above 18.0 °C"),
    event(DAY_S, "fv2", RecordKind.BATCH, "45", "packaged", "45 is packaged", "page"),
    event(DAY_S, "fv1", RecordKind.BATCH, "44", "moved away", "to fv2", "page"),
    event(DAY_S, "fv2", RecordKind.BATCH, "44", "moved here", "from fv1", "page"),
    event(DAY_S + 60, "fv1", RecordKind.STATE, "fv1", "idle", "moved away"),
    event(DAY_S + 120, "fv2", RecordKind.STEP, "step", "crash", "44 is attenuated"),
    event(2 * DAY_S, "fv2", RecordKind.BATCH, "44", "packaged", "44 is packaged", "page"),
    event(3 * DAY_S, "fv2", RecordKind.ACTION, "a-2", "refused", "there is no batch", "mqtt"),
)


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """A site in degrees Fahrenheit whose store holds what happened, and an hour of samples."""
    path = write_site(tmp_path, SITE.replace("units: C", "units: F", 1))
    (tmp_path / "state").mkdir()
    opened = open_store(store_path(tmp_path / "state"))
    state = brewing(3 * DAY_S, MONDAY + 3 * DAY_S, 5, ("fv1", "fv2"))
    samples = [a_sample(10 * n, name, 20.0) for n in range(360) for name in ("fv1", "bath/tank")]
    opened.save(state._replace(now_s=0.0, utc_s=MONDAY))
    opened.save(state, HAPPENED, samples)
    assert opened.close()
    return path


@pytest.fixture
def store(site: Path) -> Path:
    return store_path(site.parent / "state")


def test_the_log_is_told_in_the_time_and_units_of_the_site(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cellarhand("log", "--site", site) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[:4] == [
        "Monday 2026-09-21",
        "  16:13:20  fv1  44 follows Ale (page)",
        "  16:15:00  fv2  45 follows Ale (page)",
        "  17:13:20  fv1  ALARM deviation: wort 2.2 °F above 64.4 °F",
    ]
    assert lines[4:6] == ["", "Tuesday 2026-09-22"]
    assert lines[-1] == "  16:13:20  fv2  there is no batch (mqtt)"


def test_outputs_and_done_actions_are_told_when_asked_for(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    cellarhand("log", "--site", site, "--kind", "output")
    assert "fv1/cooler on: wort 0.7 °F above setpoint" in capsys.readouterr().out
    cellarhand("log", "--site", site, "--all", "--json")
    assert len(capsys.readouterr().out.splitlines()) == len(HAPPENED)


def test_a_batch_is_followed_from_vessel_to_vessel(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """45 was in the second vessel before, and the first is idle afterwards: neither is told of 44."""
    cellarhand("log", "--site", site, "--batch", "44", "--json")
    told = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [(each["vessel"], each["value"]) for each in told] == [
        ("fv1", "started"),
        ("fv1", "active, unacknowledged"),
        ("fv1", "moved away"),
        ("fv2", "moved here"),
        ("fv2", "crash"),
        ("fv2", "packaged"),
    ]
    assert told[0]["utc"] == "2026-09-21T14:13:20Z"
    assert told[0]["local"] == "2026-09-21T16:13:20+02:00"


@pytest.mark.parametrize(
    ("words", "count"),
    [
        (("--alarms",), 1),
        (("--last", "2"), 2),
        (("--since", "2026-09-22"), 7),
        (("--since", "2026-09-22 16:14"), 4),
        (("--since", "2026-09-22T14:14Z"), 4),
        (("--until", "2026-09-21"), 3),
        (("--until", "2026-09-21 16:14"), 1),
        (("--since", "2026-09-22", "--until", "2026-09-22"), 5),
        (("--vessel", "fv1", "--kind", "batch", "--kind", "state"), 3),
        (("--since", "20000 d ago"), 10),
    ],
)
def test_what_is_asked_for_is_told(
    site: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], count: int
) -> None:
    assert cellarhand("log", "--site", site, "--json", *words) == 0
    assert len(capsys.readouterr().out.splitlines()) == count


def test_what_happens_to_several_vessels_at_once_is_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    opened = open_store(tmp_path / "cellar.sqlite")
    lost = Record(60.0, MONDAY, "fv1", RecordKind.HEALTH, "well", "F", "stale")
    opened.save(
        brewing(), [lost, lost._replace(vessel="fv2"), lost._replace(vessel="fv3", at_s=65.0, utc_s=MONDAY + 5)]
    )
    assert opened.close()
    cellarhand("log", "--store", tmp_path / "cellar.sqlite", "--last", "9")
    assert [line[12:] for line in capsys.readouterr().out.splitlines()[1:]] == [
        "fv1, fv2  probe well failure: stale",
        "fv3  probe well failure: stale",
    ]


def test_some_days_ago_is_counted_from_now(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    now_s = datetime.now(UTC).timestamp()
    opened = open_store(tmp_path / "cellar.sqlite")
    alarm = Record(0.0, now_s - 1.9 * DAY_S, "fv1", RecordKind.ALARM, "deviation", "normal", "recent")
    opened.save(brewing(), [alarm._replace(utc_s=now_s - 2.1 * DAY_S, subject="high"), alarm])
    assert opened.close()
    cellarhand("log", "--store", tmp_path / "cellar.sqlite", "--since", "2 d")
    assert ["alarm deviation is over" in line for line in capsys.readouterr().out.splitlines()[1:]] == [True]


def test_before_the_clock_was_known_the_services_own_time_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    opened = open_store(tmp_path / "cellar.sqlite")
    opened.save(brewing(), [Record(93784.0, None, "", RecordKind.HEALTH, "room/air", "F", "no reading")])
    assert opened.close()
    cellarhand("log", "--store", tmp_path / "cellar.sqlite")
    assert capsys.readouterr().out.splitlines() == [
        "time of day not known, service time",
        "   1d 02:03:04  site  probe room/air failure: no reading",
    ]


def test_a_hostile_reason_cannot_move_the_cursor(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    opened = open_store(tmp_path / "cellar.sqlite")
    record = Record(0.0, MONDAY, "fv1", RecordKind.ACTION, "a", "refused", "\x1b[2Jall is well\n", "mqtt")
    opened.save(brewing(), [record])
    assert opened.close()
    cellarhand("log", "--store", tmp_path / "cellar.sqlite")
    assert "\x1b" not in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "right"),
    [
        (("--vessel", "fv11"), 'found the vessel "fv11"; right would be fv1'),
        (("--batch", "446"), 'found the batch "446"; right would be 44'),
        (("--kind", "alarms"), 'found the kind "alarms"; right would be alarm'),
        (("--since", "yesterday"), 'found the time "yesterday"; right would be such as 2026-11-03'),
    ],
)
def test_a_word_that_cannot_be_meant_is_answered_with_the_right_one(
    site: Path, words: tuple[str, ...], right: str
) -> None:
    with pytest.raises(Wrong) as wrong:
        cellarhand("log", "--site", site, *words)
    assert str(wrong.value).startswith(right)


def test_without_a_store_it_is_said_where_one_was_looked_for(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cellarhand("log", "--store", tmp_path / "none.sqlite") == 1
    assert "none.sqlite: there is no store; it is begun when the service first runs" in capsys.readouterr().err
    with pytest.raises(Wrong, match="--site FILE or --store FILE, or CELLARHAND_SITE"):
        cellarhand("log")


def table(path: Path) -> list[dict[str, str]]:
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def test_the_history_is_exported_in_the_unit_that_the_column_says(site: Path, tmp_path: Path) -> None:
    """20.00 °C is 68.00 °F, 18 °C is 64.4 °F."""
    folder = tmp_path / "for the spreadsheet"
    assert cellarhand("export", folder, "--site", site) == 0
    assert sorted(path.name for path in folder.iterdir()) == [
        "minutes.csv",
        "quarters.csv",
        "records.csv",
        "samples.csv",
    ]
    samples = table(folder / "samples.csv")
    assert len(samples) == 720
    assert samples[0] == {
        "utc": "2026-09-21T14:13:20Z",
        "local": "2026-09-21T16:13:20+02:00",
        "service_s": "0",
        "vessel": "fv1",
        "temperature_f": "68.0",
        "setpoint_low_f": "64.4",
        "setpoint_high_f": "64.4",
        "cooler_percent": "25",
        "heater_percent": "0",
    }
    minutes = table(folder / "minutes.csv")
    assert [row["mean_f"] for row in minutes] == ["68.0"] * 90  # 45 of two names: the last quarter is not over
    assert len(table(folder / "quarters.csv")) == 6
    records = table(folder / "records.csv")
    assert [row["reason"] for row in records] == [record.reason for record in HAPPENED]


def test_one_vessel_and_one_span_are_exported(site: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = (
        "--table",
        "samples",
        "--vessel",
        "bath/tank",
        "--since",
        "2026-09-21 16:14",
        "--until",
        "2026-09-21 16:15",
    )
    assert cellarhand("export", tmp_path / "out", "--site", site, *words) == 0
    rows = table(tmp_path / "out" / "samples.csv")
    assert [row["local"][11:19] for row in rows] == [f"16:14:{second:02d}" for second in (0, 10, 20, 30, 40, 50)]
    assert "samples.csv: 6 rows" in capsys.readouterr().out


def test_an_export_does_not_overwrite_another(site: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cellarhand("export", tmp_path / "out", "--site", site, "--table", "records") == 0
    assert cellarhand("export", tmp_path / "out", "--site", site, "--table", "records") == 1
    assert "records.csv: there is such a file already" in capsys.readouterr().err


def test_parquet_holds_the_same_rows_with_their_types(site: Path, tmp_path: Path) -> None:
    parquet = pytest.importorskip("pyarrow.parquet", reason="the extra [parquet] is not installed")
    assert cellarhand("export", tmp_path / "out", "--site", site, "--format", "parquet") == 0
    samples = parquet.read_table(tmp_path / "out" / "samples.parquet")
    assert samples.num_rows == 720
    first = samples.slice(0, 1).to_pylist()[0]
    assert first["utc"] == datetime(2026, 9, 21, 14, 13, 20, tzinfo=UTC)
    assert first["local"].isoformat() == "2026-09-21T16:13:20+02:00"
    assert (first["temperature_f"], first["cooler_percent"], first["vessel"]) == (68.0, 25, "fv1")
    records = parquet.read_table(tmp_path / "out" / "records.parquet").to_pylist()
    assert [row["value"] for row in records] == [record.value for record in HAPPENED]


def test_where_parquet_is_missing_it_is_said_what_to_install(
    site: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    assert cellarhand("export", tmp_path / "out", "--site", site, "--format", "parquet") == 1
    assert "pip install 'cellarhand[parquet]', or take --format csv" in capsys.readouterr().err


def test_a_backup_is_made_and_put_back(
    site: Path, store: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    copy = tmp_path / "stick.backup"
    before = read_saved_state(store)
    running = open_store(store)
    assert cellarhand("backup", copy, "--site", site) == 0
    assert cellarhand("restore", copy, "--site", site) == 1
    assert "another service uses this store; end that one first" in capsys.readouterr().err
    assert running.close()
    with closing(sqlite3.connect(store)) as connection, connection:
        connection.execute("DELETE FROM records")
    assert cellarhand("restore", copy, "--site", site) == 0
    said = capsys.readouterr().out
    assert f"the store that was there is now {store}.replaced-1" in said
    assert "as it was at 2026-09-24 16:13:20 CEST:\n  fv1: batch 44, running\n" in said
    assert read_saved_state(store) == before
    assert len(read_records(store)) == len(HAPPENED)


@pytest.mark.parametrize("command", ["log", "export", "backup", "restore"])
def test_every_command_shows_examples(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as done:
        cellarhand(command, "--help")
    assert done.value.code == 0
    assert f"  cellarhand {command} " in capsys.readouterr().out.partition("example")[2]
