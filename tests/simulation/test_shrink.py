"""A broken story is made short and can be told in a line."""

import pytest

from tests.simulation.shrink import Kept, Short, parse, shrunk, whole
from tests.simulation.story import Happening, RelayFault, StoreTrouble, sentences

DAY_S = 86400.0


def a_story(count: int) -> list[Happening]:
    """A trouble of the disk each hour, and two welded relays among them."""
    story: list[Happening] = [StoreTrouble(3600.0 * number, "slow", 1000.0) for number in range(count)]
    story[7] = RelayFault(7 * 3600.0, "fv1/heater", "welded closed", 7200.0)
    story[31] = RelayFault(31 * 3600.0, "fv2/cooler", "welded closed", 7200.0)
    return story


def test_what_has_nothing_to_do_with_it_is_left_out() -> None:
    drawn, plays = a_story(48), 0

    def both_weld(story: Short) -> bool:
        nonlocal plays
        plays += 1
        return sum(isinstance(each, RelayFault) for each in story.of(drawn)) == 2

    short = shrunk(whole("x", 2 * DAY_S, drawn), drawn, 1.9 * DAY_S, both_weld, 60.0)
    assert [kept.number for kept in short.kept] == [7, 31]
    assert plays < 100


def test_what_happens_begins_sooner_and_lasts_shorter() -> None:
    drawn = a_story(48)

    def welded_for_ten_minutes(story: Short) -> bool:
        welds = [each for each in story.of(drawn) if isinstance(each, RelayFault) and each.tag == "fv2/cooler"]
        return any(each.for_s >= 600.0 and story.length_s >= each.at_s + 600.0 for each in welds)

    short = shrunk(whole("x", 2 * DAY_S, drawn), drawn, 1.9 * DAY_S, welded_for_ten_minutes, 60.0)
    assert short.kept[0].number == 31
    (weld,) = short.of(drawn)
    assert weld.at_s == 300.0
    assert short.length_s < 1200.0
    assert sentences([weld]) == ["00:05:00 relay of fv2/cooler: welded closed, for 12 min"]


def test_a_short_story_is_a_line_of_text_and_back() -> None:
    short = Short("1a2b-3", 7200.0, (Kept(0), Kept(17, 300.5), Kept(21, None, 60.0), Kept(30, 900.0, 0.5)))
    assert str(short) == "1a2b-3/7200:0,17@300.5,21~60,30@900~0.5"
    assert parse(str(short)) == short
    assert parse("x/60:") == Short("x", 60.0, ())
    with pytest.raises(ValueError, match="is no shortened story"):
        parse("1a2b-3")


def test_no_more_is_left_out_when_the_time_is_over() -> None:
    drawn = a_story(48)
    story = whole("x", 2 * DAY_S, drawn)
    assert shrunk(story, drawn, DAY_S, lambda other: True, 0.0) == story
