"""What a brewer types, what the daemon is told, and what every command's help shows."""

import os
import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

from controller.cli import _BELOW_ZERO, main, parser_for
from controller.cli_actions import VERBS
from controller.cli_parser import EXIT_CODES
from controller.control import operate
from controller.profiles import load_profile
from controller.shipped import shipped_path
from tests.cli_terminal import DONE, FAULTY, REFUSED, Terminal, listening
from tests.runtime.daemons import ROOT

HOUR_S = 3600.0
STEPS = [step.name for step in load_profile(shipped_path("profiles") / "clean-ale.yaml").steps]
COMMANDS = sorted(name for name in parser_for([]).commands.choices if name != "names")


@pytest.mark.parametrize(
    ("line", "arguments"),
    [
        ("start|fv1|--batch|Pale|--profile|clean-ale", {"batch": "Pale", "yeast": "", "profile": "clean-ale"}),
        (
            "start|fv1|--batch|Pale|--profile|clean-ale|--step|rest|--gravity|1.018|--yeast|US ale",
            {"batch": "Pale", "yeast": "US ale", "profile": "clean-ale", "step": "rest", "gravity": 1.018},
        ),
        (
            "start|fv1|--batch|Pale|--setpoint|68 F|--og|1.050|--volume|2 hL",
            {"batch": "Pale", "yeast": "", "setpoint_c": 20.0, "og": 1.05, "volume_l": 200.0},
        ),
        ("packaged|fv1", {}),
        ("confirm|fv1", {}),
        ("gravity|fv1|1.012", {"gravity": 1.012}),
        ("og|fv1|10 P", {"gravity": pytest.approx(1.0400, abs=5e-5)}),  # ASBC tables, 20/20 °C, from memory
        ("hold|fv1", {}),
        ("resume|fv1", {}),
        ("stop|fv1", {}),
        ("extend|fv1|12 h", {"for_s": 12 * HOUR_S}),
        ("extend|fv1|P1DT12H", {"for_s": 36 * HOUR_S}),  # ISO 8601: a day and twelve hours
        ("skip|fv1", {"sure": False}),
        ("skip|fv1|--to|cold crash|--sure", {"to": "cold crash", "sure": True}),
        ("back|fv1", {}),
        ("back|fv1|--to|rest", {"to": "rest"}),
        ("abort|fv1", {"sure": False}),
        ("abort|fv1|--sure", {"sure": True}),
        ("setpoint|fv1|-1C", {"celsius": -1.0}),
        ("mode|fv1|auto", {"mode": "auto"}),
        ("mode|fv1|manual|--output|-100%|--for|5 min", {"mode": "manual", "duty": -1.0, "for_s": 300.0}),
        ("mode|fv1|manual|--output|50 %|--for|2 h", {"mode": "manual", "duty": 0.5, "for_s": 2 * HOUR_S}),
        ("quiet|fv1|--for|6 h|--drift|0.5 K", {"for_s": 6 * HOUR_S, "drift_k": 0.5}),
        ("quiet|fv1|--for|6 h|--drift|9 F diff", {"for_s": 6 * HOUR_S, "drift_k": 5.0}),  # 1.8 °F are 1 K
        ("quiet|fv1|--for|90 min", {"for_s": 1.5 * HOUR_S}),
        ("quiet|fv1|--end", {"for_s": 0.0}),
        ("identify|fv1|step", {"test": "step"}),
        ("identify|fv1|relay|--force", {"test": "relay", "force": True}),
        ("identify|fv1|stop", {"test": "stop"}),
        ("move|fv1|--to|fv2", {"to": "fv2"}),
        ("service|fv1|out", {"in_service": False}),
        ("service|fv1|in", {"in_service": True}),
        ("acknowledge|fv1", {"alarm": ""}),
        ("acknowledge|bath|bath warm", {"alarm": "bath warm"}),
    ],
)
def test_the_words_of_an_action_reach_the_daemon_in_its_units(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], line: str, arguments: dict[str, object]
) -> None:
    with listening(tmp_path, lambda request: {"answer": "as you say"}) as (path, heard):
        assert Terminal(path, capsys).does(f"{line}|--expects|running/rest") == "as you say"
    (request,) = heard
    verb, vessel = line.split("|")[:2]
    assert (request["do"], request["vessel"], request["expects"]) == (verb, vessel, "running/rest")
    assert request["arguments"] == arguments
    assert 0 < len(request["id"]) <= 64


def test_every_action_has_an_id_of_its_own(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with listening(tmp_path, lambda request: {"answer": "held"}) as (path, heard):
        for _ in range(3):
            Terminal(path, capsys).does("hold|fv1")
    assert len({request["id"] for request in heard}) == 3


def test_what_the_daemon_refuses_ends_with_1_and_goes_where_errors_go(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with listening(tmp_path, lambda request: {"answer": "refused: no batch; nothing was changed"}) as (path, _):
        assert Terminal(path, capsys).says("hold|fv1") == (REFUSED, "", "refused: no batch; nothing was changed")


def test_the_command_line_offers_every_action_of_the_core_and_no_other() -> None:
    assert set(VERBS) == set(operate.VERBS)


@pytest.mark.parametrize(
    ("line", "found", "right"),
    [
        ("mode|fv1|sideways", "'sideways'", "auto"),
        ("mode|fv1|manual|--for|5 min", "no --output", '--output -50% --for "2 h"'),
        ("mode|fv1|manual|--output|50%", "no --for", '--output -50% --for "2 h"'),
        ("mode|fv1|off|--for|5 min", "--for with mode off", "--for only with mode manual"),
        ("mode|fv1|auto|--output|5%", "--output with mode auto", "--output only with mode manual"),
        ("quiet|fv1", "no --for", '--for "6 h", or --end'),
        ("quiet|fv1|--for|6 h|--drift|0.5 C", "reads as a temperature", '"0.5 K"'),
        ("quiet|fv1|--end|--for|6 h", "--for with --end", "or --end alone"),
        ("identify|fv1|both", "'both'", "cellarhand identify fv1 step"),
        ("identify|fv1|stop|--force", "--force without a test to begin", "step --force"),
        ("extend|fv1|12", "12", "a unit is needed"),
        ("gravity|fv1|1021", '"1021"', "1.050"),
        ("og|fv1|12,4 P", '"12,4 P"', "decimals are written with a point"),
        ("setpoint|fv1|18", '"18"', "with its unit"),
        ("setpoint|fv1|0.5 K", '"0.5 K"', '"19 C"'),
        ("extend|fv1", "required: TIME", 'cellarhand extend fv1 "12 h"'),
        ("start|fv1", "required: --batch", "cellarhand start fv1 --batch"),
        ("start|fv1|--batch|Pale", "--profile --setpoint is required", "cellarhand start fv1 --batch"),
        ("start|fv1|--batch|Pale|--setpoint|18 C|--step|rest", "--step without --profile", "only a profile has steps"),
        ("move|fv1", "required: --to", "cellarhand move fv1 --to fv2"),
        ("service|fv1|away", "'away'", "in"),
        ("hold", "required: VESSEL", "cellarhand hold fv1"),
        ("hold|fv1|--sure", '"--sure"', "cellarhand hold fv1"),
        ("hold|fv1|fv2|fv3", '"fv2" "fv3"', "cellarhand hold fv1"),
        ("acknowlege|fv1", '"acknowlege"', "acknowledge"),
        ("brew|fv1", '"brew"', "cellarhand --help"),
        ("backups", '"backups"', "backup"),
        ("demo|--days|0", "--days", "above 0"),
        ("demo|--speed|nan", "--speed", "above 0"),
        ("completion|fish", "'fish'", "bash"),
    ],
)
def test_words_that_cannot_be_meant_are_answered_with_what_would_be_right(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], line: str, found: str, right: str
) -> None:
    with listening(tmp_path, lambda request: {"answer": "done"}) as (path, heard):
        try:
            words = line.split("|")
            code = main([*words, "--socket", str(path)] if words[0] in VERBS else words)
        except SystemExit as refusal:
            code = int(refusal.code or 0)
        out, err = capsys.readouterr()
    assert (code, out, heard) == (FAULTY, "", [])
    assert found in err
    assert right in err
    assert "nothing was changed" in err
    assert "Traceback" not in err


def test_without_words_the_help_shows_the_way(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as refusal:
        main([])
    assert refusal.value.code == FAULTY
    assert "to begin:" in capsys.readouterr().err


def test_help_names_every_command_once_in_a_group_and_every_exit_code(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as end:
        main(["--help"])
    assert end.value.code == DONE
    text = capsys.readouterr().out
    for name in COMMANDS:
        assert len(re.findall(rf"^  {name} +\w", text, re.MULTILINE)) == 1, name
    assert "others:" not in text
    order = [text.index(f"\n  {name} ") for name in ("demo", "check", "run", "status", "start", "packaged")]
    assert order == sorted(order), "in the order in which a newcomer needs them"
    for code, meaning in EXIT_CODES.items():
        assert re.search(rf"^ +{code}  {re.escape(meaning)}$", text, re.MULTILINE), code
    assert max(map(len, text.splitlines())) <= 80


@pytest.mark.parametrize("name", COMMANDS)
def test_the_help_of_every_command_ends_with_examples_that_are_understood(
    name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as end:
        main([name, "--help"])
    assert end.value.code == DONE
    text = capsys.readouterr().out
    _, _, tail = re.split(r"^(examples?:)$", text, flags=re.MULTILINE)
    lines = [line.strip() for line in tail.strip().splitlines()]
    assert lines
    for line in lines:
        found = re.search(rf"cellarhand {name}\b[^>)#]*", line)
        assert found, f"{line!r} is no example of {name}"
        words = [_BELOW_ZERO.sub(" -", word) for word in shlex.split(found.group())[1:]]
        arguments = parser_for(words).read(words)
        if name in VERBS:
            given = VERBS[name].collect(arguments)  # raises where a quantity is wrong
            step = given.get("step") or (given.get("to") if name == "skip" else None)
            assert step is None or step in STEPS, f"the profile of the examples has no step {step!r}"


def test_what_only_other_commands_need_is_not_loaded_for_run() -> None:
    question = (
        "import sys; from controller.cli import parser_for; parser_for(['run']);"
        "print([name for name in ('controller.cli_history', 'controller.hmi', 'rich', 'shtab') if name in sys.modules])"
    )
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    done = subprocess.run([sys.executable, "-c", question], capture_output=True, text=True, env=environment, timeout=60)
    assert (done.stdout.strip(), done.stderr) == ("[]", "")
