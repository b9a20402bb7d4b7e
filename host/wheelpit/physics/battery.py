"""The battery: rest voltage, temperature and charge, freezing, and what LiFePO4 cells stand."""

from __future__ import annotations

from bisect import bisect_right
from typing import TYPE_CHECKING, Final

from wheelpit.physics.errors import PhysicsError, require

if TYPE_CHECKING:
    from collections.abc import Sequence

# State of charge [-], rest voltage of six flooded lead-acid cells [V] and specific gravity [-], at 80 °F.
_FLOODED: Final = (
    (0.00, 11.89, 1.120),
    (0.25, 12.06, 1.155),
    (0.50, 12.24, 1.190),
    (0.75, 12.45, 1.225),
    (1.00, 12.65, 1.265),
)
# Specific gravity [-] and freezing point of the acid [°C].
_FREEZING: Final = ((1.120, -9.4), (1.155, -15.0), (1.190, -26.1), (1.225, -37.2), (1.265, -59.5))

# Rest voltage of a LiFePO4 cell [V] and state of charge [-], up to where its plateau begins; and where that ends.
_LFP_KNEE: Final = ((2.5, 0.0), (3.0, 0.10), (3.17, 0.20))
_LFP_PLATEAU_TO_V: Final = 3.35

LFP_CELL_MOST_V: Final = 3.65
LFP_CELL_LEAST_V: Final = 2.5
LFP_CHARGE_LEAST_DEGC: Final = 0.0
LFP_CHARGE_MOST_DEGC: Final = 45.0
_REFERENCE_DEGC: Final = 25.0


def between(points: Sequence[tuple[float, float]], x: float) -> float:
    """Straight line between the neighbours of x in a rising table, and on beyond its ends.

    y = y0 + (y1 - y0) (x - x0) / (x1 - x0)

    Args:
        points: Pairs of x and y, x rising [any unit].
        x: Where y is wanted [the unit of x].

    Returns:
        The value there [the unit of y].

    Limits:
        Two points or more.

    Raises:
        PhysicsError: Fewer than two points.

    References:
        [1] Linear interpolation.
    """
    require("points", len(points), 2, 10_000)
    k = min(max(bisect_right(points, x, key=lambda point: point[0]), 1), len(points) - 1)
    (x0, y0), (x1, y1) = points[k - 1], points[k]
    return y0 + (y1 - y0) * (x - x0) / (x1 - x0)


def flooded_rest_voltage(state_of_charge: float, nominal_v: float = 12.0) -> float:
    """Rest voltage of a flooded lead-acid bank.

    The table of [1], straight between its points: 11.89, 12.06, 12.24, 12.45, 12.65 V at 0, 25, 50, 75, 100 %.

    Args:
        state_of_charge: State of charge, 0 to 1 [-].
        nominal_v: Nominal voltage of the bank [V].

    Returns:
        Voltage after some hours of rest at about 27 °C [V].

    Limits:
        0 to 1; nominal 12 to 48 V. Tables differ by 0.1 V at half charge, 12 % of charge: never more exact.

    Raises:
        PhysicsError: A value is outside the limits.

    References:
        [1] Battery Council International, open-circuit voltage and specific gravity at 80 °F (secondary print).
    """
    require("state_of_charge", state_of_charge, 0.0, 1.0)
    require("nominal_v", nominal_v, 12.0, 48.0, "V")
    return between([(soc, volts) for soc, volts, _ in _FLOODED], state_of_charge) * nominal_v / 12.0


def flooded_charge_from_rest(rest_v: float, nominal_v: float = 12.0) -> float:
    """State of charge of a flooded lead-acid bank from its voltage at rest: a rough word, +-10 to 15 %.

    The inverse of `flooded_rest_voltage`; above the table it is full, below it is empty.

    Args:
        rest_v: Voltage after at least four hours with less than C/100 in or out [V].
        nominal_v: Nominal voltage of the bank [V].

    Returns:
        State of charge, 0 to 1 [-].

    Limits:
        1.5 to 2.4 V a cell; nominal 12 to 48 V. A bank that gasses or has just been charged is not at rest.

    Raises:
        PhysicsError: A value is outside the limits.

    References:
        [1] Battery Council International, open-circuit voltage and specific gravity at 80 °F (secondary print).
    """
    require("nominal_v", nominal_v, 12.0, 48.0, "V")
    require("rest_v", rest_v, 9.0 * nominal_v / 12.0, 14.4 * nominal_v / 12.0, "V")
    block_v = min(max(rest_v * 12.0 / nominal_v, _FLOODED[0][1]), _FLOODED[-1][1])
    return between([(volts, soc) for soc, volts, _ in _FLOODED], block_v)


def flooded_specific_gravity(state_of_charge: float) -> float:
    """Specific gravity of a flooded lead-acid bank's acid.

    The table of [1], straight between its points: 1.120, 1.155, 1.190, 1.225, 1.265 at 0, 25, 50, 75, 100 %.

    Args:
        state_of_charge: State of charge, 0 to 1 [-].

    Returns:
        Specific gravity at 80 °F [-].

    Limits:
        0 to 1. Acid of other strength when full (tropical, traction) needs its own table.

    Raises:
        PhysicsError: The value is outside the limits.

    References:
        [1] Battery Council International, open-circuit voltage and specific gravity at 80 °F (secondary print).
    """
    require("state_of_charge", state_of_charge, 0.0, 1.0)
    return between([(soc, gravity) for soc, _, gravity in _FLOODED], state_of_charge)


def gravity_at_25_degc(specific_gravity: float, temperature_degc: float) -> float:
    """Specific gravity of a lead-acid battery's acid, as a hydrometer would show it at 25 °C.

    d25 = d + 0.001 (t - 25 °C) / 1.667 °C

    Args:
        specific_gravity: Specific gravity d as read [-].
        temperature_degc: Temperature t of the acid [°C].

    Returns:
        Specific gravity at 25 °C (77 °F) [-].

    Limits:
        1.0 to 1.4; -40 to 60 °C.

    Raises:
        PhysicsError: A value is outside the limits.

    References:
        [1] US Bureau of Reclamation, Storage Battery Maintenance and Principles, 1.2: 0.001 for each 3 °F from 77 °F.
    """
    require("specific_gravity", specific_gravity, 1.0, 1.4)
    require("temperature_degc", temperature_degc, -40.0, 60.0, "°C")
    return specific_gravity + 0.001 * (temperature_degc - _REFERENCE_DEGC) / (3.0 / 1.8)


def flooded_charge_from_gravity(specific_gravity: float) -> float:
    """State of charge of a flooded lead-acid bank from its acid: the best there is, about +-3 %.

    The inverse of `flooded_specific_gravity`; above the table it is full, below it is empty.

    Args:
        specific_gravity: Specific gravity at 25 °C, the mean of the cells [-].

    Returns:
        State of charge, 0 to 1 [-].

    Limits:
        1.0 to 1.4. Not within an hour of topping up or while it lies in layers: charge until it gasses first.

    Raises:
        PhysicsError: The value is outside the limits.

    References:
        [1] Battery Council International, open-circuit voltage and specific gravity at 80 °F (secondary print).
    """
    require("specific_gravity", specific_gravity, 1.0, 1.4)
    held = min(max(specific_gravity, _FLOODED[0][2]), _FLOODED[-1][2])
    return between([(gravity, soc) for soc, _, gravity in _FLOODED], held)


def acid_freezing_point(specific_gravity: float) -> float:
    """Temperature at which a lead-acid battery's acid freezes; a flat battery freezes at about -9 °C.

    The table of [1], straight between its points.

    Args:
        specific_gravity: Specific gravity of the acid [-].

    Returns:
        Freezing point [°C].

    Limits:
        1.120 to 1.265, the range of the table.

    Raises:
        PhysicsError: The value is outside the limits.

    References:
        [1] US Army TM 5-3820-256-24-4, table 2; US Army OD1002 agrees.
    """
    require("specific_gravity", specific_gravity, _FREEZING[0][0], _FREEZING[-1][0])
    return between(list(_FREEZING), specific_gravity)


def charge_voltage(at_25_v: float, v_per_degc: float, temperature_degc: float) -> float:
    """Charge voltage for a battery's temperature.

    V = V25 + c (t - 25)

    The coefficient is the charger's. It is never applied to a rest voltage, which hardly moves, the other way.

    Args:
        at_25_v: Voltage V25 at 25 °C [V].
        v_per_degc: Coefficient c of the whole bank, negative for lead-acid, 0 for LiFePO4 [V/°C].
        temperature_degc: Temperature t of the battery [°C].

    Returns:
        Voltage [V].

    Limits:
        5 to 100 V; -0.4 to 0 V/°C; -40 to 60 °C.

    Raises:
        PhysicsError: A value is outside the limits.

    References:
        [1] Makers' charging instructions for lead-acid cells: -3 to -5 mV/°C a cell.
    """
    require("at_25_v", at_25_v, 5.0, 100.0, "V")
    require("v_per_degc", v_per_degc, -0.4, 0.0, "V/°C")
    require("temperature_degc", temperature_degc, -40.0, 60.0, "°C")
    return at_25_v + v_per_degc * (temperature_degc - _REFERENCE_DEGC)


def lfp_cells(nominal_v: float) -> int:
    """Cells in series of a LiFePO4 bank: 4, 8 or 16 for 12, 24 or 48 V.

    n = V / 3 for 12 V banks and their multiples

    Args:
        nominal_v: Nominal voltage of the bank as lead-acid banks are named [V].

    Returns:
        Number of cells in series [-].

    Limits:
        12, 24 or 48 V.

    Raises:
        PhysicsError: Another voltage.

    References:
        [1] Usual practice of battery makers; common practice, no source.
    """
    if nominal_v not in {12.0, 24.0, 48.0}:
        raise PhysicsError("nominal_v", nominal_v, 12.0, 48.0, "V (12, 24 or 48)")
    return round(nominal_v / 3.0)


def lfp_charge_from_rest(rest_v: float, nominal_v: float = 12.0) -> float | None:
    """State of charge of a LiFePO4 bank from its voltage at rest, where that says anything at all.

    From 3.17 to 3.35 V a cell lies the plateau: 20 to 95 % of the charge within fewer millivolts than a meter errs.

    Args:
        rest_v: Voltage after at least four hours with less than C/100 in or out [V].
        nominal_v: Nominal voltage of the bank, 12, 24 or 48 [V].

    Returns:
        State of charge, 0 to 1 [-]; None on the plateau.

    Limits:
        2.0 to 3.65 V a cell; 12, 24 or 48 V.

    Raises:
        PhysicsError: A value is outside the limits.

    References:
        [1] Discharge curves of LiFePO4 cells' data sheets (from memory).
    """
    cells = lfp_cells(nominal_v)
    require("rest_v", rest_v, 2.0 * cells, LFP_CELL_MOST_V * cells, "V")
    cell_v = rest_v / cells
    if cell_v > _LFP_KNEE[-1][0]:
        return None if cell_v < _LFP_PLATEAU_TO_V else 1.0
    return max(between(_LFP_KNEE, cell_v), 0.0)


def lfp_may_charge(temperature_degc: float) -> bool:
    """Whether LiFePO4 cells may be charged at a temperature: below 0 °C lithium plates out, for good.

    0 °C <= t <= 45 °C

    Args:
        temperature_degc: Temperature t of the cells [°C].

    Returns:
        True where charging is allowed [-].

    Limits:
        -60 to 100 °C.

    Raises:
        PhysicsError: The temperature is outside the limits.

    References:
        [1] Data sheets of LiFePO4 cells: charge 0 to 45 °C, at most 3.65 V a cell; discharge down to 2.5 V.
    """
    require("temperature_degc", temperature_degc, -60.0, 100.0, "°C")
    return LFP_CHARGE_LEAST_DEGC <= temperature_degc <= LFP_CHARGE_MOST_DEGC
