"""The table as text."""

from tests.bench.control.rows import DRIVERS, Row

SHOWN = 3


def print_row(row: Row) -> None:
    """A row: asked, met or not, by driver how many keep it and the worst, and the physical reasons that are known.
    "reason" stands for a row that is not met only where there is one."""
    print(f"  {row.verdict:7} {row.name}: {row.asked}")
    for driver in DRIVERS:
        worst = row.worst(driver)
        if worst is not None:
            print(f"          {driver:13} {row.kept(driver):>8}  worst {worst.text}; {worst.where}", flush=True)
    for figure in row.reasons[:SHOWN]:
        print(f"          reason: {figure.text}; {figure.where}: {figure.reason}")
    if len(row.reasons) > SHOWN:
        print(f"          and {len(row.reasons) - SHOWN} more with such a reason", flush=True)
