"""What the installation is: `plant.toml` as typed values, and what follows from them."""

from wheelpit.plant.description import Plant
from wheelpit.plant.load import PlantError, demo_plant_path, load_plant, parse_plant

__all__ = ["Plant", "PlantError", "demo_plant_path", "load_plant", "parse_plant"]
