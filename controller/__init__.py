"""Fermentation temperature control for a cellar of vessels on one glycol chiller.

Five packages: control decides, field talks to devices, historian remembers, hmi shows, plant pretends.
Start reading at `controller/control/step.py`.
"""

__version__ = "0.1.0"
