"""Pure formulas of water, wheel, belt, alternator, converter and battery, each with its limits and source."""
