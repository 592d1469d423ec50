"""Doubts about a probe that its own readings cannot raise: one that sits still while the wort must move, and one that
follows the room. The verdict goes to `trust`, which alone may doubt a number."""

from typing import NamedTuple

STUCK, OUT_OF_WELL = "stuck", "out of its well"

# The wort must have moved this far, and further than the probe's own step, while the reading stayed the same to the
# last digit. Common practice, no source.
MUST_MOVE_K = 0.3
STEPS = 1.5
COARSEST_STEP_K = 0.5  # until a step was seen: 9-bit resolution of the DS18B20 (datasheet, Table 2)
STILL_S = 240.0
UNSURE_SHARE = 0.4  # of what the outputs did meanwhile
MOST_WRONGED = 3
# After so long without any change a short pulse asks whether the probe is alive.
ASK_AFTER_S = 2400.0

# A thermowell moves with the wort; out of it a probe takes the room's temperature within minutes.
AWAY_K, ROOM_APART_K = 1.2, 2.0
ROOM_SHARE_LOW, ROOM_SHARE_HIGH = 0.5, 1.4
AWAY_TICKS = 3
# It is back in its well when it shows again what the wort can have become meanwhile. All: common practice, no source.
BACK_K, BACK_K_PER_H = 1.0, 0.3
BACK_TICKS = 5


class ProbeMemory(NamedTuple):
    """What is remembered of one probe. `celsius` is its last value, `still_s` since when it is the same to the last
    digit, `rest_k_per_h` how the wort moved then for reasons that are not ours, `must_k` how far it must have moved
    since, `worked_k` what the outputs did for and against that; `asked` since a test pulse only what the outputs do
    counts. `wort_c` follows the value no faster than the wort can move; `ticks` for how long the value is away from
    it; `doubt` is "" or why the probe is not believed, `since_s` when that began; `wronged` how often it was called
    stuck and then moved: the wort was at fault."""

    celsius: float
    still_s: float
    wort_c: float
    must_k: float = 0.0
    asked: bool = False
    step_k: float = COARSEST_STEP_K
    ticks: int = 0
    doubt: str = ""
    since_s: float = 0.0
    wronged: int = 0
    rest_k_per_h: float = 0.0
    worked_k: float = 0.0


class Pace(NamedTuple):
    """What moves the wort in one tick of `hours`: outputs, K; the rest, K/h; how far it can rise and fall, K."""

    hours: float
    outputs_k: float
    rest_k_per_h: float
    rise_k: float
    fall_k: float


def doubted(
    last: ProbeMemory | None, celsius: float, moved_s: float, room_c: float | None, pace: Pace, now_s: float
) -> ProbeMemory:
    """The memory of a probe after one tick. It reports `celsius`, and since `moved_s` the same to the last digit."""
    if last is None:
        return ProbeMemory(celsius, now_s, celsius, rest_k_per_h=pace.rest_k_per_h)
    moved = moved_s > last.still_s
    still_s, must_k, asked, step_k, rest_k_per_h = last.still_s, last.must_k, last.asked, last.step_k, last.rest_k_per_h
    worked_k = last.worked_k + abs(pace.outputs_k)
    if moved:
        still_s, must_k, asked, rest_k_per_h, worked_k = moved_s, 0.0, False, pace.rest_k_per_h, 0.0
        step_k = min(step_k, max(abs(celsius - last.celsius), 0.01)) if celsius != last.celsius else step_k
    else:
        must_k += pace.outputs_k + (0.0 if asked else rest_k_per_h * pace.hours)
    wort_c, ticks, doubt, since_s, wronged = last.wort_c, last.ticks, last.doubt, last.since_s, last.wronged
    if doubt == STUCK:
        if moved:
            doubt, wort_c, ticks, wronged = "", celsius, 0, min(wronged + 1, MOST_WRONGED)
    elif doubt == OUT_OF_WELL:
        near_k = BACK_K + BACK_K_PER_H * (now_s - since_s) / 3600.0
        ticks = ticks + 1 if abs(celsius - wort_c) <= near_k and not _is_room(wort_c, celsius, room_c) else 0
        if ticks >= BACK_TICKS:
            doubt, wort_c, ticks = "", celsius, 0
    else:
        wort_c += min(max(celsius - wort_c, -pace.fall_k), pace.rise_k)
        ticks = ticks + 1 if abs(celsius - wort_c) >= AWAY_K and _is_room(wort_c, celsius, room_c) else 0
        if ticks >= AWAY_TICKS:
            doubt, since_s, ticks = OUT_OF_WELL, now_s, 0
        elif now_s - still_s >= STILL_S and _must_show(must_k, worked_k, asked, step_k, wronged):
            doubt, since_s = STUCK, now_s
    return ProbeMemory(
        celsius, still_s, wort_c, must_k, asked, step_k, ticks, doubt, since_s, wronged, rest_k_per_h, worked_k
    )


def _must_show(must_k: float, worked_k: float, asked: bool, step_k: float, wronged: int) -> bool:
    """Whether a living probe must have shown something by now. Where outputs and rest cancel, both are unsure."""
    unsure_k = 0.0 if asked else UNSURE_SHARE * worked_k
    return abs(must_k) >= (1 + wronged) * max(MUST_MOVE_K, STEPS * step_k) + unsure_k


def _is_room(wort_c: float, celsius: float, room_c: float | None) -> bool:
    """Whether the reading lies where a probe out of its well goes: at the room, and away from the wort."""
    if room_c is None or abs(room_c - wort_c) < ROOM_APART_K:
        return False
    return ROOM_SHARE_LOW <= (celsius - wort_c) / (room_c - wort_c) <= ROOM_SHARE_HIGH
