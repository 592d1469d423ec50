"""The demo's own command on a machine without mosquitto: `python tests/demo_on_iotcore.py`.

A day of the demo must run on the broker that comes with the extra `[demo]`, and end with summary and chart.
"""

import os
import subprocess
import sys
import tempfile
from pathlib import Path


def main() -> int:
    """0 if the demo ran on iotcore and ended as it should; else 1, with what was missing and all that it printed."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        empty, chart = folder / "empty", folder / "chart.html"
        empty.mkdir()
        command = [sys.executable, "-m", "controller", "demo", "--days", "1", "--chart", str(chart)]
        done = subprocess.run(
            command, env={**os.environ, "PATH": str(empty)}, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
        )
        page = chart.read_text() if chart.exists() else ""
    missing = [
        what
        for what, found in (
            ("exit code 0", done.returncode == 0),
            ("iotcore as the broker", "iotcore on 127.0.0.1:" in done.stdout),
            ("a summary of each vessel", all(f"\n{vessel}: " in done.stdout for vessel in ("amber", "dark", "gold"))),
            ("a batch that was started", "\namber: Amber No. 7\n" in done.stdout),
            ("the chart's place", f"The chart is in {chart}" in done.stdout),
            ("a chart with curves", "<polyline" in page or "<path" in page),
        )
        if not found
    ]
    print(done.stdout)
    for what in missing:
        print(f"MISSING: {what} (exit code {done.returncode})")
    print("the demo does not run on iotcore" if missing else "the demo runs on iotcore")
    return 1 if missing else 0


if __name__ == "__main__":
    sys.exit(main())
