"""Records as lines for a person: one a line, under the day on which they happened."""

import json
from collections.abc import Iterable, Iterator, Sequence
from datetime import UTC, datetime
from itertools import groupby

from controller.control.values import Record
from controller.display import Display, age_text
from controller.hmi.news import sentence

SITE = "site"  # what stands for the vessel where a record is of the whole site


def record_lines(records: Sequence[Record], display: Display) -> Iterator[str]:
    """The lines, headings included, in the order of `records`. Local time and the person's units; a record whose UTC
    was never known has the service's own time instead. What happened to several vessels at once is one line."""
    width = max((len(record.vessel or SITE) for record in records), default=0)
    heading = ""
    told = ((*_when(record, display), sentence(record, display), record.vessel or SITE) for record in records)
    for (day, time, words), same in groupby(told, key=lambda each: each[:3]):
        if day != heading:
            if heading:
                yield ""
            yield day
            heading = day
        where = ", ".join(dict.fromkeys(each[3] for each in same))
        yield f"  {time}  {where:<{width}}  {words}"


def record_json(records: Iterable[Record], display: Display) -> Iterator[str]:
    """One JSON object a line. The words are as the service wrote them: in °C, K, L and specific gravity."""
    for record in records:
        utc_s = record.utc_s
        times = {
            "utc": None if utc_s is None else f"{datetime.fromtimestamp(int(utc_s), UTC):%Y-%m-%dT%H:%M:%SZ}",
            "local": None if utc_s is None else display.local(utc_s).isoformat(),
            "service_s": record.at_s,
        }
        texts = {"kind": record.kind.value, "subject": record.subject, "value": record.value}
        rest = {"reason": record.reason, "who": record.who}
        yield json.dumps({**times, "vessel": record.vessel, **texts, **rest}, ensure_ascii=False)


def _when(record: Record, display: Display) -> tuple[str, str]:
    if record.utc_s is None:
        return "time of day not known, service time", f"{age_text(record.at_s):>12}"
    local = display.local(record.utc_s)
    return f"{local:%A %Y-%m-%d}", f"{local:%H:%M:%S}"
