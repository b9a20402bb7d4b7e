"""What the installation is: `plant.toml` as typed values, and what follows from them."""

from wheelpit.plant.description import Plant
from wheelpit.plant.limits import Limits, limits_of
from wheelpit.plant.load import PlantError, demo_plant_path, load_plant, parse_plant
from wheelpit.plant.wiring import node_settings, node_wiring

__all__ = [
    "Limits",
    "Plant",
    "PlantError",
    "demo_plant_path",
    "limits_of",
    "load_plant",
    "node_settings",
    "node_wiring",
    "parse_plant",
]
