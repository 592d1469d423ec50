"""The example in DEVELOPERS.md runs as it stands there, and the wort goes where the profile says."""

import os
import re
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[1]


def test_a_plant_of_ones_own_is_regulated_in_twenty_lines() -> None:
    [block] = re.findall(r"```python\n(.*?)```", (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8"), re.DOTALL)
    assert len([line for line in block.splitlines() if line.strip()]) <= 20
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    run = subprocess.run([sys.executable, "-c", block], cwd=ROOT, env=environment, capture_output=True, text=True)
    assert run.returncode == 0, run.stderr
    wort_c = float(run.stdout.split(" °C")[0])
    assert 17.5 <= wort_c <= 18.5  # pitching temperature of the clean ale, its own tolerance
    assert "Setpoint(low_c=18.0, high_c=18.0)" in run.stdout
