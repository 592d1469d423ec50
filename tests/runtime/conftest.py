from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.runtime.daemons import Cellar
from tests.servers import Mosquitto, mosquitto


@pytest.fixture
def server(tmp_path: Path) -> Iterator[Mosquitto]:
    """A real mosquitto with a password, for this test alone."""
    with mosquitto(tmp_path) as running:
        yield running


@pytest.fixture
def cellar(tmp_path: Path, server: Mosquitto) -> Iterator[Cellar]:
    """The example site's devices on that broker: probes that report, relays that listen."""
    with Cellar(tmp_path, server.port) as devices:
        yield devices
