"""Fermentation temperature control for a cellar of vessels on one glycol chiller.

Five packages: control decides, field talks to devices, historian remembers, hmi shows, plant pretends.
Start reading at `controller/control/step.py`.
"""

import os

# Models are ours alone; looking through every installed package for plugins would cost the start some 35 ms.
os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")

__version__ = "0.1.0"
