from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.servers import Mosquitto, mosquitto


@pytest.fixture
def server(tmp_path: Path) -> Iterator[Mosquitto]:
    """A real mosquitto with a password, for this test alone."""
    with mosquitto(tmp_path) as running:
        yield running
