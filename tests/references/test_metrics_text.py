"""The scrape against its standards: OpenMetrics 1.0 (prometheus/docs, docs/specs/om/open_metrics_spec.md), Prometheus
metric naming (docs/practices/naming.md), and Prometheus' own checker, `promtool check metrics`."""

import re
import shutil
import subprocess

import pytest
from prometheus_client.metrics_core import Metric
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from controller.hmi.metrics import exposition, private_registry
from controller.hmi.shell import ShellCounts
from tests.hmi.factories import busy_cellar, empty_cellar, site, with_alarm

OPENMETRICS = "application/openmetrics-text; version=1.0.0"
REFUSED, TOLD = {"not a number": 3, "retained": 1}, {"sent": 7, "failed": 2, "dropped": 0, "waiting": 1}
COUNTS = ShellCounts(12, 1, REFUSED, True, told=TOLD, reloads={"applied": 1, "refused": 1})


def scrape(accept: str, busy: bool = True) -> tuple[str, str]:
    state = with_alarm(busy_cellar(), "ale/deviation", "+1.9 K") if busy else empty_cellar()
    body, content_type = exposition(private_registry(lambda: (site(), state), lambda: COUNTS), accept)
    return body.decode("utf-8"), content_type


def parsed(busy: bool = True) -> list[Metric]:
    text = scrape(OPENMETRICS, busy)[0]
    return list(text_string_to_metric_families(text))  # type: ignore[no-untyped-call]


@pytest.mark.parametrize("busy", [True, False])
def test_openmetrics_ends_with_eof_and_uses_plain_line_feeds(busy: bool) -> None:
    """OpenMetrics 1.0, Overall Structure: must end with "# EOF"; UTF-8, line feeds only, no byte order mark."""
    text, content_type = scrape(OPENMETRICS, busy)
    assert text.endswith("\n# EOF\n")
    assert text.count("# EOF") == 1
    assert "\r" not in text
    assert not text.startswith("\ufeff")
    assert content_type.startswith("application/openmetrics-text; version=1.0.0")
    assert "charset=utf-8" in content_type


@pytest.mark.parametrize("busy", [True, False])
def test_the_reference_parser_reads_every_family(busy: bool) -> None:
    """The parser of the Prometheus project's Python client refuses interleaved families, wrong suffixes and units."""
    families = parsed(busy)
    names = [family.name for family in families]
    assert len(names) == len(set(names))
    assert "cellarhand_scans" in names


def test_metadata_comes_once_in_order_and_before_the_samples() -> None:
    """OpenMetrics 1.0, MetricFamily metadata: TYPE, UNIT and HELP at most once each; no other comments."""
    seen: dict[str, list[str]] = {}
    for line in scrape(OPENMETRICS)[0].splitlines():
        if line.startswith("#") and line != "# EOF":
            _, keyword, name = line.split(" ")[:3]
            assert keyword in ("TYPE", "UNIT", "HELP"), line
            seen.setdefault(name, []).append(keyword)
    assert all(len(words) == len(set(words)) for words in seen.values())
    assert all({"TYPE", "HELP"} <= set(words) for words in seen.values())


def test_a_unit_is_the_suffix_of_its_name_and_a_base_unit() -> None:
    """OpenMetrics 1.0, Unit (a given unit must be the suffix) and naming.md, Base units."""
    families = parsed()
    with_unit = [family for family in families if family.unit]
    assert {family.unit for family in with_unit} == {"seconds", "celsius", "watts", "ratio"}
    assert all(family.name.endswith(f"_{family.unit}") for family in with_unit)


def test_names_and_labels_keep_the_alphabet_and_the_reserved_words() -> None:
    """OpenMetrics 1.0, ABNF and Label namespacing: snake case, no leading underscore or colon, no target labels."""
    for family in parsed():
        assert re.fullmatch(r"cellarhand_[a-z][a-z0-9_]*", family.name)
        for sample in family.samples:
            assert all(re.fullmatch(r"[a-z][a-z0-9_]*", label) for label in sample.labels)
            assert not {"job", "instance", "env", "zone", "type"} & set(sample.labels)
            assert sample.timestamp is None


def test_counters_end_in_total_and_info_is_one() -> None:
    """OpenMetrics 1.0, Counter ("_total", not NaN, not negative) and Info (value always 1)."""
    for family in parsed():
        for sample in family.samples:
            if family.type == "counter":
                assert sample.name == f"{family.name}_total"
                assert sample.value >= 0
            if family.type == "info":
                assert (sample.name, sample.value) == (f"{family.name}_info", 1)


def test_plain_text_is_given_to_who_does_not_ask_for_openmetrics() -> None:
    """Prometheus exposition formats: the text format is the fallback of content negotiation."""
    text, content_type = scrape("text/plain")
    assert content_type.startswith("text/plain")
    assert "# EOF" not in text


@pytest.mark.servers
@pytest.mark.parametrize("busy", [True, False])
def test_promtool_finds_nothing_to_blame(busy: bool) -> None:
    """`promtool check metrics` of the Prometheus project; a missing promtool fails this test."""
    promtool = shutil.which("promtool")
    assert promtool, "promtool is not installed, so this test cannot run (Debian: apt-get install prometheus)"
    text, _ = scrape("text/plain", busy)
    found = subprocess.run([promtool, "check", "metrics"], input=text, capture_output=True, text=True, timeout=60)
    assert (found.returncode, found.stdout, found.stderr) == (0, "", "")


@pytest.mark.servers
def test_promtool_does_find_a_bad_name() -> None:
    """So that the test above cannot pass by accident: a metric without help and in camel case is reported."""
    promtool = shutil.which("promtool")
    assert promtool, "promtool is not installed, so this test cannot run (Debian: apt-get install prometheus)"
    bad = "# TYPE wortTemperature gauge\nwortTemperature 19.2\n"
    found = subprocess.run([promtool, "check", "metrics"], input=bad, capture_output=True, text=True, timeout=60)
    assert found.returncode != 0
