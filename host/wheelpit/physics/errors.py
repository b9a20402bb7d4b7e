"""The error of a formula that is asked for something outside its limits."""

from __future__ import annotations

from wheelpit.errors import WheelpitError


class PhysicsError(WheelpitError, ValueError):
    """A value outside the limits within which a formula holds.

    `name`, `value`, `lowest`, `highest` and `unit` tell which value it was and what would have been accepted.
    """

    def __init__(self, name: str, value: float, lowest: float, highest: float, unit: str = "") -> None:
        self.name = name
        self.value = value
        self.lowest = lowest
        self.highest = highest
        self.unit = unit
        mark = f" {unit}" if unit else ""
        super().__init__(
            f"{name} = {value:g}{mark} is outside the limits of the formula; give {lowest:g} to {highest:g}{mark}"
        )


def require(name: str, value: float, lowest: float, highest: float, unit: str = "") -> None:
    """Raise `PhysicsError` unless `lowest <= value <= highest`; not-a-number is refused too.

    Args:
        name: What the value is called in the formula [-].
        value: The value [in `unit`].
        lowest: The least that is accepted [in `unit`].
        highest: The most that is accepted [in `unit`].
        unit: The unit that the error names [-].

    Limits:
        None of its own.

    Returns:
        Nothing [-].

    Raises:
        PhysicsError: The value lies outside.

    References:
        [1] Our own check; no source.
    """
    if not lowest <= value <= highest:
        raise PhysicsError(name, value, lowest, highest, unit)
