"""Scenarios: what happens at a plant, and which alarms are right; each one a small file that a person can read."""

from wheelpit.twin.scenarios.description import Scenario
from wheelpit.twin.scenarios.load import ScenarioError, find, load_scenario, scenarios

__all__ = ["Scenario", "ScenarioError", "find", "load_scenario", "scenarios"]
