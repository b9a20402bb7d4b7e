"""Works out everything that the answers allow.

answers = Answers(steps_of(plant))
answers.read(text, "answers.toml")
found = outcome_of(plant, answers)
for result in found.results:
print(result.what, result.figure.value, result.figure.u, result.unit)
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from wheelpit.accounts.commission import running, torques
from wheelpit.accounts.commission.results import Outcome
from wheelpit.physics.errors import PhysicsError

if TYPE_CHECKING:
    from wheelpit.accounts.commission.answers import Answers
    from wheelpit.plant.description import Plant

# In an order in which each finds what it builds upon, after the step whose readings it works out.
_PARTS: Final = (
    ("signs", torques.signs), ("pull", torques.pulls), ("turns", torques.turns), ("volts", torques.volts),
    ("flow", running.flow), ("rating", running.rating), ("volts", running.loaded), ("pull", running.standing),
    ("threshold", running.threshold), ("coast", running.coast),
)  # fmt: skip


def outcome_of(plant: Plant, answers: Answers) -> Outcome:
    """Work out all that the given answers allow; a test that was left out leaves its results out.

    A value outside the limits of a formula becomes a warning, and the rest is worked out all the same.

    Args:
        plant: The plant as described.
        answers: The answers.

    """
    found = Outcome()
    for step, part in _PARTS:
        try:
            part(plant, answers, found)
        except PhysicsError as error:
            found.warnings.append(f"{part.__name__}: {error}")
        found.warned += [step] * (len(found.warnings) - len(found.warned))
    return found
