"""Time for a service that runs for weeks on a board whose wall clock lies.

What the operating system promises is taken from its manual: clock_gettime(2) (CLOCK_BOOTTIME counts
suspend and cannot be set), adjtimex(2) (return value 5 = not synchronised), systemd-timesyncd.service(8).
"""

import asyncio
import ctypes
import time
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller import clock
from controller.clock import BUILD_UTC_S, SystemClock, is_synchronised, new_epoch

FRIDAY = BUILD_UTC_S + 100 * 86400.0


@dataclass
class Board:
    """A machine whose clocks a test turns by hand; sleeping takes exactly as long as asked, or a bit off."""

    boot_s: float = 1000.0
    wall_s: float = FRIDAY
    synchronised: bool | None = None
    early_s: float = 0.0
    slept_s: list[float] = field(default_factory=list)

    def clock(self, start_s: float = 0.0, not_before_utc_s: float | None = None) -> SystemClock:
        return SystemClock(
            start_s,
            not_before_utc_s,
            boottime_s=lambda: self.boot_s,
            wall_s=lambda: self.wall_s,
            synchronised=lambda _: self.synchronised,
            sleep=self.sleep,
        )

    def run(self, seconds: float) -> None:
        self.boot_s += seconds
        self.wall_s += seconds

    async def sleep(self, seconds: float) -> None:
        self.slept_s.append(seconds)
        self.run(max(seconds - self.early_s, seconds / 2))


def scan_times(board: Board, work_s: list[float], period_s: float = 5.0) -> tuple[list[float], int]:
    """When the scans begin, each taking as long as `work_s` says, and how many were missed."""
    service = board.clock()
    times = []

    async def scans() -> None:
        for work in work_s:
            await service.next_scan(period_s)
            times.append(service.now_s())
            board.run(work)

    asyncio.run(scans())
    return times, service.missed_scans


def test_the_service_line_goes_on_from_where_the_store_left_it() -> None:
    board = Board()
    service = board.clock(start_s=5_000_000.0)
    board.run(12.5)
    assert service.now_s() == 5_000_012.5


@given(st.floats(-1e9, 1e9))
def test_a_jump_of_the_wall_clock_does_not_move_the_service_line(jump_s: float) -> None:
    board = Board()
    service = board.clock(start_s=100.0)
    board.run(7.0)
    board.wall_s += jump_s
    assert service.now_s() == 107.0


def test_whether_the_clock_is_right_is_asked_once_a_second_however_many_messages_come() -> None:
    board, asked = Board(), list[float]()

    def synchronised(wall_s: float) -> bool:
        asked.append(wall_s)
        return True

    service = SystemClock(
        0.0, None, boottime_s=lambda: board.boot_s, wall_s=lambda: board.wall_s, synchronised=synchronised
    )
    for _ in range(1000):
        assert service.utc_s() == board.wall_s
        board.run(0.0025)
    assert len(asked) == 3  # 2.5 s
    board.wall_s += 3600.0
    service.utc_s()
    assert len(asked) == 4  # a jump is looked into at once


def test_the_epoch_of_a_new_store_is_above_that_of_an_earlier_one_with_all_its_starts() -> None:
    earlier = new_epoch(lambda: FRIDAY + 0.9)
    starts = 365 * 24  # one an hour, for a year that ends with the loss of the store
    assert isinstance(earlier, int)
    assert new_epoch(lambda: FRIDAY + 365 * 86400.0) > earlier + starts


def test_a_board_that_boots_in_1970_does_not_begin_below_the_programs_own_date() -> None:
    assert new_epoch(lambda: 12.0) == BUILD_UTC_S


def test_the_first_scan_comes_at_once_and_the_others_keep_the_beat() -> None:
    times, missed = scan_times(Board(), [0.5, 4.9, 0.0, 2.0])
    assert times == [0.0, 5.0, 10.0, 15.0]
    assert missed == 0


def test_missed_scans_are_skipped_and_counted_but_not_made_up_for() -> None:
    times, missed = scan_times(Board(), [12.0, 0.1, 86_400.0, 0.1])
    assert times == [0.0, 15.0, 20.0, 86_420.0]
    assert missed == 2 + 0 + 17_279


def test_a_scan_that_ends_just_in_time_misses_nothing() -> None:
    times, missed = scan_times(Board(), [5.0, 5.0, 0.0])
    assert times == [0.0, 5.0, 10.0]
    assert missed == 0


def test_a_scan_out_of_turn_comes_at_once_and_leaves_the_beat_as_it_was() -> None:
    board = Board()
    service, times = board.clock(), list[float]()

    async def sleep(seconds: float) -> None:
        if board.boot_s < 1007.0:  # a new connection, 2 s into the wait for the third scan
            board.run(min(seconds, 1007.0 - board.boot_s))
            if board.boot_s == 1007.0:
                service.scan_soon()
        else:
            board.run(seconds)

    async def scans() -> None:
        for _ in range(5):
            await service.next_scan(5.0)
            times.append(service.now_s())

    board.sleep = sleep  # type: ignore[method-assign]
    service = board.clock()
    asyncio.run(scans())
    assert times == [0.0, 5.0, 7.0, 10.0, 15.0]
    assert service.missed_scans == 0


def test_a_connection_that_comes_before_the_first_scan_causes_no_second_one() -> None:
    board = Board()
    service, times = board.clock(), list[float]()

    async def scans() -> None:
        service.scan_soon()
        for _ in range(3):
            await service.next_scan(5.0)
            times.append(service.now_s())

    asyncio.run(scans())
    assert times == [0.0, 5.0, 10.0]


def test_a_wait_without_an_end_ends_when_a_scan_is_wanted_soon() -> None:
    async def stand_still(seconds: float) -> None:
        await asyncio.Event().wait()

    service = SystemClock(0.0, None, boottime_s=lambda: 1000.0, wall_s=lambda: FRIDAY, sleep=stand_still)

    async def scans() -> None:
        await service.next_scan(60.0)
        waiting = asyncio.create_task(service.next_scan(60.0))
        await asyncio.sleep(0)
        assert not waiting.done()
        service.scan_soon()
        await asyncio.wait_for(waiting, 30.0)

    asyncio.run(scans())


@settings(deadline=None)
@given(st.lists(st.floats(0.0, 20.0), min_size=2, max_size=50), st.floats(0.0, 0.01))
def test_scans_do_not_drift_however_long_each_takes(work_s: list[float], early_s: float) -> None:
    times, missed = scan_times(Board(early_s=early_s), work_s)
    beats = [at / 5.0 for at in times]
    assert beats == pytest.approx([round(beat) for beat in beats], abs=1e-6)
    assert round(beats[-1]) == len(times) - 1 + missed
    assert all(later > sooner for sooner, later in pairwise(times))


def test_a_sleep_that_ends_early_is_taken_up_again() -> None:
    board = Board(early_s=0.004)
    times, _ = scan_times(board, [0.0, 0.0])
    assert times[1] >= 5.0
    assert len(board.slept_s) > 1


def test_the_wall_clock_of_a_synchronised_board_is_trusted() -> None:
    assert Board(synchronised=True).clock().utc_s() == FRIDAY


def test_a_synchronised_clock_may_overrule_a_store_that_was_written_in_the_future() -> None:
    assert Board(synchronised=True).clock(not_before_utc_s=FRIDAY + 1e8).utc_s() == FRIDAY


@pytest.mark.parametrize("synchronised", [True, None, False])
def test_a_board_that_thinks_it_is_1970_is_not_trusted(synchronised: bool | None) -> None:
    assert Board(wall_s=30.0, synchronised=synchronised).clock().utc_s() is None


def test_where_nobody_knows_the_clock_is_trusted_from_the_last_saved_time_on() -> None:
    board = Board(synchronised=None)
    service = board.clock(not_before_utc_s=FRIDAY + 60.0)
    assert service.utc_s() is None
    board.run(60.0)
    assert service.utc_s() == FRIDAY + 60.0


def test_a_board_without_a_battery_clock_is_trusted_once_the_time_service_has_set_it() -> None:
    board = Board(synchronised=False)
    service = board.clock(not_before_utc_s=FRIDAY - 60.0)
    assert service.utc_s() is None
    board.run(20.0)
    board.wall_s += 7200.0
    board.synchronised = True
    assert service.utc_s() == FRIDAY + 7220.0


def test_a_day_without_network_does_not_make_a_good_clock_bad() -> None:
    board = Board(synchronised=True)
    service = board.clock()
    assert service.utc_s() is not None
    board.synchronised = False
    for _ in range(17_280):
        board.run(5.0)
        board.wall_s += 5.0 * 500e-6  # the most that a clock strays: adjtimex(2), 500 ppm
        assert service.utc_s() == board.wall_s


def test_a_jump_while_not_synchronised_ends_the_trust() -> None:
    board = Board(synchronised=True)
    service = board.clock()
    service.utc_s()
    board.synchronised = False
    board.wall_s -= 3600.0
    assert service.utc_s() is None
    assert service.utc_s() is None


def tree(root: Path, **files: str) -> Path:
    for name, text in files.items():
        path = root / name.replace("__", "/")
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)
    return root


@pytest.mark.parametrize("kernel", [True, False, None])
def test_the_time_service_that_says_synchronised_is_believed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kernel: bool | None
) -> None:
    monkeypatch.setattr(clock, "_kernel_says", lambda: kernel)
    assert is_synchronised(FRIDAY, tree(tmp_path, run__systemd__timesync__synchronized="")) is True


@pytest.mark.parametrize(
    ("kernel", "files", "verdict"),
    [
        (True, {}, True),
        (None, {}, None),
        (None, {"run__systemd__timesync__other": ""}, False),
        (None, {"run__chrony__chronyd.pid": "1"}, None),  # it tells only the kernel, which may not be asked
        (False, {}, None),  # nobody is ever going to set it: no way of knowing
        (False, {"run__systemd__timesync__other": ""}, False),
        (False, {"run__chrony__chronyd.pid": "1"}, False),
        (False, {"run__chrony__chronyd.pid": "1", "sys__class__rtc__rtc0__since_epoch": f"{FRIDAY + 2:.0f}\n"}, None),
        (False, {"run__chrony__chronyd.pid": "1", "sys__class__rtc__rtc0__since_epoch": "77\n"}, False),
        (False, {"run__chrony__chronyd.pid": "1", "sys__class__rtc__rtc0__since_epoch": "?"}, False),
    ],
)
def test_what_the_machine_knows_of_its_clock(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kernel: bool | None, files: dict[str, str], verdict: bool | None
) -> None:
    monkeypatch.setattr(clock, "_kernel_says", lambda: kernel)
    assert is_synchronised(FRIDAY, tree(tmp_path, **files)) is verdict


def test_the_clocks_of_this_machine_are_read() -> None:
    """CLOCK_BOOTTIME is never behind CLOCK_MONOTONIC, which stands still in suspend: clock_gettime(2)."""
    before = time.clock_gettime(time.CLOCK_BOOTTIME)
    service = SystemClock(0.0, None)
    passed = service.now_s()
    assert 0.0 <= passed <= time.clock_gettime(time.CLOCK_BOOTTIME) - before


def test_the_kernel_is_asked_in_the_right_way() -> None:
    """Against the status word of `struct timex` (adjtimex(2)): bit 0x40, STA_UNSYNC, at byte 40 where longs have 8."""
    timex = ctypes.create_string_buffer(512)
    if ctypes.sizeof(ctypes.c_long) != 8 or ctypes.CDLL(None).adjtimex(timex) < 0:
        pytest.skip("this machine does not tell whether its clock is synchronised")
    unsynchronised = bool(int.from_bytes(timex.raw[40:44], "little") & 0x40)
    assert clock._kernel_says() is not unsynchronised
