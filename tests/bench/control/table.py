"""The table as text."""

from tests.bench.control.rows import DRIVERS, Row


def print_row(row: Row) -> None:
    """A row: asked, met or not, and by driver how many keep it and the worst."""
    print(f"  {'met    ' if row.met else 'NOT MET'} {row.name}: {row.asked}")
    for driver in DRIVERS:
        worst = row.worst(driver)
        if worst is not None:
            print(f"          {driver:13} {row.kept(driver):>8}  worst {worst.text}; {worst.where}", flush=True)
