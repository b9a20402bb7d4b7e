"""A figure as a person should see it: a value, how sure it is, and where it came from."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

Origin = Literal["measured", "modelled", "lower-bound"]

# Half of the 95 % interval of a normal distribution, in standard uncertainties (JCGM 100:2008, table G.1).
COVERAGE_FACTOR: Final = 1.96


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """A value with its standard uncertainty.

    A figure that the fitted channels cannot support is None wherever it would stand; it is never a Figure of zero.

    Attributes:
        value: in the unit that the name of the field carries.
        u: standard uncertainty, in the same unit, not negative.
        origin: measured; modelled, where a formula stands for a sensor that is not fitted; or a lower bound.
        coverage: share of the period that was measured, 0 to 1.
        note: what a person must know to read it; empty otherwise.

    """

    value: float
    u: float
    origin: Origin = "measured"
    coverage: float = 1.0
    note: str = ""

    def __post_init__(self) -> None:
        """Refuse what is no figure."""
        if not (math.isfinite(self.value) and math.isfinite(self.u) and self.u >= 0):
            text = f"a figure must be finite and its uncertainty not negative: {self.value} with {self.u}"
            raise ValueError(text)
        if not 0.0 <= self.coverage <= 1.0:
            text = f"the coverage of a figure must lie between 0 and 1: {self.coverage}"
            raise ValueError(text)

    @property
    def low(self) -> float:
        """The lower end of the 95 % interval."""
        return self.value - COVERAGE_FACTOR * self.u

    @property
    def high(self) -> float:
        """The upper end of the 95 % interval; of a lower bound only the lower end says something."""
        return self.value + COVERAGE_FACTOR * self.u
