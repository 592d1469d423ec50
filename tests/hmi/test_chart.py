"""The page that a run leaves behind: complete in itself, safe, small, and readable for everyone."""

import json
import math
import re
from datetime import UTC, datetime
from html.parser import HTMLParser
from xml.etree import ElementTree

import pytest

from controller.hmi.chart import ChartRun, chart_html
from controller.hmi.lanes import Frame, clock_changes, day_ticks
from controller.hmi.recorder import Mark, Point, Span, Surroundings, Trace
from controller.hmi.scale import Clock, axis, line, ribbon
from controller.hmi.summary import VesselSummary
from tests.hmi.factories import BERLIN, CHICAGO, DAY, HOUR, PILSEN

EVIL = '</script><script>alert(1)</script><img src=x onerror="alert(2)">&\u202e'


def trace(name: str, days: float = 14.0, batch: str = "House Pale") -> Trace:
    """Invented: a hold, a rest, a crash, with noise of a tenth of a kelvin."""
    count = int(days * DAY / 300)
    points = [
        Point(i * 300.0, 300.0, 19.0 + 0.1 * math.sin(i), 19.1 + 0.1 * math.sin(i), 19.0, 19.0, 0.1, 0.02 * (i % 3))
        for i in range(count)
    ]
    marks = [Mark(2 * DAY, "alarm", "deviation: +1.9 K"), Mark(4 * DAY, "action", "confirmed: Hops in? (brewer)")]
    spans = [Span("ferment", 0.0, 5 * DAY), Span("rest", 5 * DAY, days * DAY)]
    return Trace(name, batch, points, spans, [(DAY, 1.048), (5 * DAY, 1.012)], marks)


def page(*traces: Trace, days: float = 14.0, title: str = "A run", **other: object) -> str:
    surroundings = [Surroundings(i * HOUR, -2.0, 20.0) for i in range(int(days * 24))]
    summary = VesselSummary("ale", "House Pale", {"in ±0.5 K": "99 %"}, (("ferment", *["–"] * 7),), ())
    run = ChartRun(
        title, "Invented.", 0.0, days * DAY, traces or (trace("ale", days),), surroundings, [], [summary], BERLIN
    )
    return chart_html(run._replace(**other))  # type: ignore[arg-type]


class Reader(HTMLParser):
    """Collects what the tests ask of a page."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.text.append(data)


def test_the_page_asks_the_network_for_nothing() -> None:
    html = page()
    for _, attributes in Reader(html).tags:
        assert not {"src", "href", "xlink:href", "action", "srcset"} & set(attributes)
    assert not re.search(r"https?://|@import|url\(|fetch\(|XMLHttpRequest|WebSocket|EventSource", html)
    assert "default-src 'none'" in html


def test_a_hostile_name_is_text_and_nothing_else() -> None:
    evil = trace("ale", batch=EVIL)
    evil.spans[0] = Span(EVIL, 0.0, DAY)
    evil.marks.append(Mark(DAY, "action", EVIL))
    summary = VesselSummary(EVIL, EVIL, {EVIL: EVIL}, ((EVIL,) * 8,), (EVIL,))
    html = page(evil, title=EVIL, subtitle=EVIL, summaries=[summary])
    reader = Reader(html)
    assert [tag for tag, _ in reader.tags].count("script") == 2
    assert "img" not in [tag for tag, _ in reader.tags]
    assert not any(name.startswith("on") for _, attributes in reader.tags for name in attributes)
    assert "alert(1)" in "".join(reader.text)
    assert "\u202e" not in html


def test_the_data_is_json_and_cannot_end_its_script() -> None:
    html = page(trace("ale", batch=EVIL))
    found = re.search(r'<script type="application/json" id="data">(.*?)</script>', html, re.S)
    assert found is not None
    data = json.loads(found.group(1))
    assert data["to"] == 14 * DAY
    assert len(data["panels"]) == 2
    assert len(data["panels"][0]["at"]) == len(data["panels"][0]["warmest"])


def test_two_weeks_of_three_vessels_stay_below_a_megabyte() -> None:
    assert len(page(trace("ale"), trace("lager"), trace("stout")).encode()) < 1_000_000


def test_every_drawing_is_well_formed_and_the_main_ones_are_named() -> None:
    drawings = re.findall(r"<svg.*?</svg>", page(), re.S)
    assert drawings
    named = 0
    for drawing in drawings:
        root = ElementTree.fromstring(drawing)
        if root.get("role") == "img":
            ids = {child.get("id") for child in root if child.tag in ("title", "desc") and child.text}
            assert set((root.get("aria-labelledby") or "").split()) == ids
            named += 1
        else:
            assert root.get("aria-hidden") == "true"
    assert named == 2


def test_ids_are_unique_and_the_language_is_given() -> None:
    tags = Reader(page(trace("ale"), trace("lager"))).tags
    ids = [attributes["id"] for _, attributes in tags if "id" in attributes]
    assert len(ids) == len(set(ids))
    assert ("html", {"lang": "en"}) in tags


def test_a_run_without_a_temperature_is_drawn_without_one() -> None:
    blind = Trace("ale", "", [Point(0.0, DAY, None, None, None, None, 0.0, 0.0)])
    html = page(blind, days=1.0)
    assert "no batch" in html
    assert "never on" in html
    assert "nan" not in "".join(re.findall(r'd="[^"]*"', html)).lower()


def test_a_run_without_length_is_refused_with_what_was_found() -> None:
    with pytest.raises(ValueError, match="found 0 s to 0 s"):
        page(days=0.0, traces=[trace("ale")])


def test_days_are_named_by_the_local_calendar_where_it_is_known() -> None:
    monday_18_00_in_berlin = datetime(2026, 9, 21, 16, 0, tzinfo=UTC).timestamp()
    assert "Tue 22" in page(start_utc_s=monday_18_00_in_berlin)
    assert "day 3" in page()


def utc_s(text: str) -> float:
    return datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()


def test_the_day_on_which_the_clocks_go_back_is_an_hour_longer_on_the_axis() -> None:
    # Directive 2000/84/EC: summer time ends at 01:00 UTC on the last Sunday of October, in 2026 the 25th.
    frame = Frame(Clock(0.0, 6 * DAY), BERLIN, utc_s("2026-10-22T22:00"))  # Friday 00:00 in Berlin
    days = [(round(share * 6 * 24, 3), label) for share, label in day_ticks(frame) if ":" not in label]
    assert days[:5] == [(0.0, "Fri 23"), (24.0, "Sat 24"), (48.0, "Sun 25"), (73.0, "Mon 26"), (97.0, "Tue 27")]


def test_the_read_out_knows_from_when_on_the_clocks_are_back() -> None:
    # 72 h of Berlin: two hours ahead of UTC until 2026-10-25 01:00 UTC, 49 h after the start, then one.
    frame = Frame(Clock(100.0, 100.0 + 3 * DAY), BERLIN, utc_s("2026-10-23T00:00"))
    assert clock_changes(frame) == [(100.0, 7200.0), (100.0 + 49 * HOUR, 3600.0)]
    assert clock_changes(frame._replace(start_utc_s=None)) == []


def test_events_are_told_by_the_day_of_the_run_and_by_the_sites_clock() -> None:
    start = utc_s("2026-09-21T16:00")
    assert "day 2.0, Wed 23 Sep 18:00" in page(start_utc_s=start)
    assert "day 2.0, Wed 23 Sep 11:00" in page(start_utc_s=start, display=CHICAGO)
    assert ">day 2.0<" in page()


def test_a_brewer_with_a_fahrenheit_site_reads_no_other_degrees() -> None:
    spoken = " ".join(Reader(page(display=CHICAGO)).text)
    assert "°F" in spoken
    assert "+3.4 °F" in spoken  # the alarm of +1.9 K: an interval, NIST SP 811, B.8
    assert "°C" not in spoken.replace('"units":"F"', "")
    assert " K" not in re.sub(r"in ±0.5 K", "", spoken)  # the invented summary's own heading
    found = re.search(r'id="data">(.*?)</script>', page(display=CHICAGO), re.S)
    assert found is not None
    data = json.loads(found.group(1))
    assert data["units"] == "F"
    assert data["panels"][0]["low"][0] == 66.2
    assert data["panels"][1]["bath"][0] == 28.4


def test_gravities_are_drawn_in_degrees_plato_for_who_thinks_in_them() -> None:
    # Source: a hydrometer maker's page on degrees Plato, its worked example: 1.048 is 11.9 °P.
    assert "11.9 °P" in page(display=PILSEN)
    assert "1.048" not in page(display=PILSEN)


def test_near_events_share_a_sign_and_an_alarm_is_never_hidden_by_another_kind() -> None:
    crowded = trace("ale")
    crowded.marks[:] = [Mark(DAY, "action", "one"), Mark(DAY + 60, "alarm", "two"), Mark(9 * DAY, "state", "three")]
    html = page(crowded)
    assert "!<sub>1–2</sub>" in html
    assert "•<sub>3</sub>" in html


def luminance(colour: str) -> float:
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("scheme", [0, 1])
def test_contrast_of_text_and_drawing_in_light_and_dark(scheme: int) -> None:
    """WCAG 2.1, 1.4.3 (text at least 4.5:1) and 1.4.11 (graphics that carry meaning at least 3:1)."""
    block = re.findall(r":root \{(.*?)\}", page(), re.S)[scheme]
    colours = dict(re.findall(r"--(\w+): (#[0-9a-f]{6});", block))

    def contrast(name: str) -> float:
        light, dark = sorted((luminance(colours[name]), luminance(colours["paper"])), reverse=True)
        return (light + 0.05) / (dark + 0.05)

    for text in ("ink", "soft", "alarm"):
        assert contrast(text) >= 4.5, text
    for drawing in ("wort", "set", "cooler", "heater", "room"):
        assert contrast(drawing) >= 3.0, drawing


@pytest.mark.parametrize("values", [[19.0], [18.9, 19.3], [2.0, 22.5], [-3.0, 100.0], [1.008, 1.078], []])
def test_an_axis_holds_its_values_and_has_between_two_and_seven_ticks(values: list[float]) -> None:
    found = axis(values, 0.02)
    assert all(found.low <= value <= found.high for value in values)
    assert 2 <= len(found.ticks) <= 7
    assert all(found.low <= tick <= found.high for tick in found.ticks)


def test_a_gap_breaks_the_line_and_the_ribbon() -> None:
    assert line([(0, 1), (1, 2), (2, None), (3, 4)]) == "M0 1L1 2M3 4"
    assert ribbon([(0, 1, 2), (1, 1, 2), (2, None, None), (3, 1, 2)]).count("Z") == 2
