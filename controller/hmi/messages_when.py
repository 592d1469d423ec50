"""When a message may go out: quiet hours, and the time of the daily message, by the clock on the cellar's wall.

Daylight-saving changes are those of the time zone data base (IANA, by zoneinfo)."""

from datetime import UTC, date, datetime, time, timedelta, tzinfo

HOUR_S = 3600.0
LATEST_S = 6 * HOUR_S  # a daily message that is later than this is left out: the next one is near


def in_quiet_hours(utc_s: float, quiet_from: time | None, quiet_to: time | None, zone: tzinfo) -> bool:
    """Whether the wall clock of `zone` shows a time in `quiet_from`..`quiet_to`, which may span midnight. An hour that
    a daylight-saving change repeats is quiet both times. Never quiet where a limit is None or both are the same."""
    if quiet_from is None or quiet_to is None:
        return False
    local = datetime.fromtimestamp(utc_s, UTC).astimezone(zone).time()
    if quiet_from <= quiet_to:
        return quiet_from <= local < quiet_to
    return local >= quiet_from or local < quiet_to


def daily_date(utc_s: float, daily_at: time, zone: tzinfo) -> date:
    """The newest local date whose `daily_at` has been at `utc_s`."""
    today = datetime.fromtimestamp(utc_s, UTC).astimezone(zone).date()
    return today if utc_s >= daily_utc_s(today, daily_at, zone) else today - timedelta(days=1)


def daily_utc_s(day: date, daily_at: time, zone: tzinfo) -> float:
    """The one moment of `day`'s `daily_at`, UTC in s: the first of two where the hour is repeated, and an hour later
    by the wall clock where it is left out (PEP 495, fold 0)."""
    return datetime.combine(day, daily_at.replace(fold=0), zone).timestamp()


def daily_due(utc_s: float, last: date | None, daily_at: time, zone: tzinfo) -> tuple[bool, date]:
    """Whether the daily message is to be sent now, and the date to keep as the `last` one.

    One message a date, whatever restarts lie between. Not sent: at the very first look (`last` is None), later than
    six hours after its time, and for a date that has had its own; a `last` in the future is that of a clock that was
    wrong, and is forgotten."""
    due = daily_date(utc_s, daily_at, zone)
    if last is None or last > due + timedelta(days=1):
        return False, due
    if due <= last:
        return False, last
    return utc_s - daily_utc_s(due, daily_at, zone) <= LATEST_S, due
