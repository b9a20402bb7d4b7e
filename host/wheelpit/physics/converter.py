"""What the converter between bridge and battery takes from the bridge, for each of the three kinds.

A fold-back converter takes only as much as keeps its input above a set voltage: a wheel that falls behind is
unloaded. One of fixed output takes its power whatever the speed: below an unstable speed the wheel collapses.
Without a converter the battery holds the bridge's voltage.
"""

from __future__ import annotations

import math

from wheelpit.physics.errors import require

_MOST_V = 2000.0
_MOST_A = 10_000.0


def fold_back_current(
    input_v: float, start_v: float, a_per_v: float, most_input_w: float = math.inf
) -> float:
    """Input current of a fold-back converter on its static line.

    I = a (V - V0) above V0, else 0; never more than the power limit allows: I <= P / V

    Args:
        input_v: Input voltage V [V].
        start_v: Voltage V0 above which it takes current [V].
        a_per_v: Slope a [A/V].
        most_input_w: Input power P at which its output limit holds it; infinite for none [W].

    Returns:
        Input current [A].

    Limits:
        Voltages 0 to 2000 V; slope 0 to 1000 A/V; power not negative.

    Raises:
        PhysicsError: A value is outside the limits.

    References:
        [1] Static line of a converter with input-voltage control; its owner measures V0 and a.
    """
    require("input_v", input_v, 0.0, _MOST_V, "V")
    require("start_v", start_v, 0.0, _MOST_V, "V")
    require("a_per_v", a_per_v, 0.0, 1000.0, "A/V")
    require("most_input_w", most_input_w, 0.0, math.inf, "W")
    if input_v <= start_v:
        return 0.0
    return min(a_per_v * (input_v - start_v), most_input_w / input_v)


def fixed_output_current(
    source_v: float, source_ohm: float, wanted_w: float, lock_out_v: float
) -> tuple[float, float] | None:
    """Voltage and current at the input of a converter that takes a fixed power from a source.

    V = (E + sqrt(E^2 - 4 Z P)) / 2, I = P / V

    Args:
        source_v: Voltage E of the source without current [V].
        source_ohm: Slope Z of the source [ohm].
        wanted_w: Power P that it wants [W].
        lock_out_v: Input voltage below which it drops out [V].

    Returns:
        Input voltage [V] and current [A]; None where the source cannot give that power, or only at a voltage
        at which the converter drops out.

    Limits:
        Voltages 0 to 2000 V; 0 to 1000 ohm; 0 to 1e6 W.

    Raises:
        PhysicsError: A value is outside the limits.

    References:
        [1] Constant-power load on a source with resistance: E - Z I = V and V I = P, the upper root.
    """
    require("source_v", source_v, 0.0, _MOST_V, "V")
    require("source_ohm", source_ohm, 0.0, 1000.0, "ohm")
    require("wanted_w", wanted_w, 0.0, 1e6, "W")
    require("lock_out_v", lock_out_v, 0.0, _MOST_V, "V")
    room = source_v**2 - 4.0 * source_ohm * wanted_w
    if room < 0.0:
        return None
    input_v = (source_v + math.sqrt(room)) / 2.0
    if input_v <= 0.0 or input_v < lock_out_v:
        return None
    return input_v, wanted_w / input_v


def direct_current(source_v: float, source_ohm: float, battery_v: float) -> float:
    """Current of a bridge that sits straight on the battery.

    I = (E - V) / Z above the battery's voltage V, else 0: the bridge blocks the way back

    Args:
        source_v: Voltage E behind the bridge without overlap and resistance [V].
        source_ohm: Slope Z of the source with the battery's own resistance [ohm].
        battery_v: Battery voltage V without current [V].

    Returns:
        Current [A].

    Limits:
        Voltages 0 to 2000 V; slope 1e-6 to 1000 ohm.

    Raises:
        PhysicsError: A value is outside the limits.

    References:
        [1] Ohm's law with an ideal bridge.
    """
    require("source_v", source_v, 0.0, _MOST_V, "V")
    require("source_ohm", source_ohm, 1e-6, 1000.0, "ohm")
    require("battery_v", battery_v, 0.0, _MOST_V, "V")
    return max(0.0, (source_v - battery_v) / source_ohm)


def input_power_limit(output_limit_a: float, output_v: float, efficiency: float) -> float:
    """Input power at which a converter's output limit holds it.

    P = I_out V_out / eta

    Args:
        output_limit_a: Largest output current I_out [A].
        output_v: Output voltage V_out, the battery's [V].
        efficiency: Output power over input power, eta [-].

    Returns:
        Power [W].

    Limits:
        0 to 10 000 A; 0 to 2000 V; efficiency 0.3 to 1.

    Raises:
        PhysicsError: A value is outside the limits.

    References:
        [1] Definition of efficiency.
    """
    require("output_limit_a", output_limit_a, 0.0, _MOST_A, "A")
    require("output_v", output_v, 0.0, _MOST_V, "V")
    require("efficiency", efficiency, 0.3, 1.0)
    return output_limit_a * output_v / efficiency
