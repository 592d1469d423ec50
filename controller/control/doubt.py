"""Doubts about a probe that its own readings cannot raise: one that sits still while the wort must move, and one that
follows the room. The verdict goes to `trust`, which alone may doubt a number."""

from math import sqrt
from typing import NamedTuple

from controller.control.balance import YOUNG_TICKS, Balance, Unsure, reckoned, variance_ahead

STUCK, OUT_OF_WELL = "stuck", "out of its well"
DOUBTS = (STUCK, OUT_OF_WELL)

# The wort must have moved this far, and further than the probe's own step, while the reading stayed the same to the
# last digit. Common practice, no source.
MUST_MOVE_K = 0.3
STEPS = 1.5
COARSEST_STEP_K = 0.5  # until a step was seen: 9-bit resolution of the DS18B20 (datasheet, Table 2)
STILL_S = 240.0
# On top come so many standard deviations of the reckoning, less once a test pulse was not answered, and a share of what
# the outputs did.
SURE, SURE_ONCE_ASKED, SHARE_UNSURE = 1.2, 0.6, 0.1
WORKED_SHARE = 0.5  # of the least movement that outputs must have given: what goes on by itself may end
MOST_WRONGED = 3
# After so long without any change a short pulse asks whether the probe is alive; sooner where the probe is known never
# to have been still for so long. What is known of that fades (half of it in three hours): steps hide a small noise in
# one place and show it in another.
ASK_AFTER_S, ASK_FIRST_S, STILL_TIMES, FADES = 2400.0, 600.0, 4.0, 0.996
MOST_REST_K_PER_H, YOUNG_UNSURE_K_PER_H = 1.0, 0.3
UNMOVED_S = 900.0
PULSE_H = 2.0  # what test pulses did is counted for so long

# A thermowell moves with the wort; out of it a probe takes the room's temperature within minutes, and keeps it: what a
# hand has warmed passes the room's value on its way back, by more in a minute than this share of its distance.
AWAY_K, ROOM_APART_K = 1.2, 2.0
ROOM_SHARE_LOW, ROOM_SHARE_HIGH = 0.5, 1.4
AWAY_TICKS, STAYS_SHARE = 5, 0.1
# It is back in its well when it shows again what the wort can have become meanwhile. All: common practice, no source.
BACK_K, BACK_K_PER_H = 1.0, 1.0
BACK_TICKS = 5


class Course(NamedTuple):
    """How the wort must have moved since a probe was seen to move: what was known of the balance then (a probe that is
    stuck teaches nothing), the hours since, and what cooler and heater did by the site file's figures, K."""

    rest_k_per_h: float
    cooler: float
    heater: float
    unsure: Unsure
    hours: float = 0.0
    cooled_k: float = 0.0
    heated_k: float = 0.0


def course_from(balance: Balance) -> Course:
    """A course that begins with what the balance knows now."""
    unsure = balance.unsure
    if balance.ticks < YOUNG_TICKS:
        unsure = unsure._replace(rr=unsure.rr + YOUNG_UNSURE_K_PER_H**2)
    return Course(*reckoned(balance), unsure)


class ProbeMemory(NamedTuple):
    """What is remembered of one probe. `celsius` is its last value, `still_s` since when it is the same to the last
    digit, `course` what the wort did since, `pulse` what it did since a test pulse began that has not been answered.
    `longest_s` is for how long it has been still before. `wort_c` follows the value no faster than the wort can move;
    `ticks` for how long the value is away from it; `doubt` is "" or why the probe is not believed, `since_s` when that
    began; `wronged` how often it was called stuck and then moved: the wort was at fault."""

    celsius: float
    still_s: float
    wort_c: float
    course: Course
    pulse: Course | None = None
    step_k: float = COARSEST_STEP_K
    ticks: int = 0
    doubt: str = ""
    since_s: float = 0.0
    wronged: int = 0
    longest_s: float = ASK_AFTER_S / STILL_TIMES


class Pace(NamedTuple):
    """What moves the wort in one tick of `hours`: cooler (< 0) and heater by the site file's figures, K; how restless
    the rest is; how far the wort can rise and fall, K. `course` is one that begins now. `reckons`: whether it can be
    told without a test pulse how the wort must move."""

    hours: float
    cooled_k: float
    heated_k: float
    restless: float
    rise_k: float
    fall_k: float
    course: Course
    reckons: bool


def unmoved(memory: ProbeMemory, now_s: float) -> bool:
    """Whether the probe has shown the same for so long that it says nothing for or against an output."""
    return now_s - memory.still_s >= min(max(STILL_S, 2.0 * memory.longest_s), UNMOVED_S)


def ask_after_s(memory: ProbeMemory) -> float:
    """After how long without any change this probe is to be asked."""
    return min(max(ASK_FIRST_S, STILL_TIMES * memory.longest_s), ASK_AFTER_S)


def doubted(
    last: ProbeMemory | None, celsius: float, moved_s: float, room_c: float | None, pace: Pace, now_s: float
) -> ProbeMemory:
    """The memory of a probe after one tick. It reports `celsius`, and since `moved_s` the same to the last digit."""
    if last is None:
        return ProbeMemory(celsius, now_s, celsius, pace.course)
    moved = moved_s > last.still_s
    still_s, step_k, longest_s = last.still_s, last.step_k, last.longest_s * FADES
    if moved:
        longest_s = max(longest_s, min(moved_s - still_s, ASK_AFTER_S))
        still_s = moved_s
        step_k = min(step_k, max(abs(celsius - last.celsius), 0.01)) if celsius != last.celsius else step_k
    course = pace.course if moved or not pace.reckons else _gone_on(last.course, pace)
    pulse = None if moved or last.pulse is None or last.pulse.hours > PULSE_H else _gone_on(last.pulse, pace)
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
        away_k = abs(celsius - wort_c)
        stays = abs(celsius - last.celsius) <= STAYS_SHARE * away_k
        ticks = ticks + 1 if away_k >= AWAY_K and stays and _is_room(wort_c, celsius, room_c) else 0
        if ticks >= AWAY_TICKS:
            doubt, since_s, ticks = OUT_OF_WELL, now_s, 0
        elif now_s - still_s >= STILL_S and (
            _must_show(course, pace.restless, step_k, wronged, SURE if pulse is None else SURE_ONCE_ASKED)
            or (pulse is not None and _must_show(pulse, pace.restless, step_k, wronged, SURE))
        ):
            doubt, since_s = STUCK, now_s
    return ProbeMemory(celsius, still_s, wort_c, course, pulse, step_k, ticks, doubt, since_s, wronged, longest_s)


def _gone_on(course: Course, pace: Pace) -> Course:
    return course._replace(
        hours=course.hours + pace.hours,
        cooled_k=course.cooled_k + pace.cooled_k,
        heated_k=course.heated_k + pace.heated_k,
    )


def _must_show(course: Course, restless: float, step_k: float, wronged: int, sure: float) -> bool:
    """Whether a living probe must have shown something by now."""
    rest_k_per_h, cooler, heater, unsure, hours, cooled_k, heated_k = course
    worked_k = cooler * cooled_k + heater * heated_k
    if rest_k_per_h * worked_k > 0.0:  # of what helps, only so much is sure to go on: sun or a lid may have been it
        rest_k_per_h = min(max(rest_k_per_h, -MOST_REST_K_PER_H), MOST_REST_K_PER_H)
    must_k, least_k = worked_k + rest_k_per_h * hours, needed_k(step_k, wronged)
    if worked_k * must_k <= 0.0 or abs(worked_k) < WORKED_SHARE * least_k:
        return False  # what goes on by itself may have ended: yeast, or a room that the wort has come near to
    others = SHARE_UNSURE**2 * (cooled_k**2 + heated_k**2)
    sd_k = sqrt(variance_ahead(unsure, restless, hours, cooled_k, heated_k) + others)
    return abs(must_k) >= least_k + sure * sd_k


def needed_k(step_k: float, wronged: int) -> float:
    """How far a wort must have moved, for sure, for a living probe to show it."""
    return (1 + wronged) * max(MUST_MOVE_K, STEPS * step_k)


def _is_room(wort_c: float, celsius: float, room_c: float | None) -> bool:
    """Whether the reading lies where a probe out of its well goes: at the room, and away from the wort."""
    if room_c is None or abs(room_c - wort_c) < ROOM_APART_K:
        return False
    return ROOM_SHARE_LOW <= (celsius - wort_c) / (room_c - wort_c) <= ROOM_SHARE_HIGH
