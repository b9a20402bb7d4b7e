"""What the twin takes for granted where a plant's description says nothing.

Round, plausible figures of our own. The host must not know them: what it learns or estimates, it has to find in
the signals, as at a real plant.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Assumptions:
    """Figures of the twin's own; battery figures are for a 12 V bank and scale with its nominal voltage.

    Args:
        capacitor_f: Smoothing capacitor after the bridge [F].
        bleed_ohm: What discharges it where no divider is fitted [ohm].
        clamp_s: Conductance of a clamp at the bridge, where the plant has one [S].
        missed_per_overspeed: Share of the jet that misses, per share by which the buckets outrun it.
        magnet_play_deg: How unevenly the magnets are glued on, at most, either way [°].
        gate_s: Time constant of gate and launder after an order to change the flow [s].
        wander_s: Time over which the flow's wander forgets itself [s].
        wander_share: Standard deviation of the wander, as a share of the flow.
        true_capacity: Real capacity of the bank as a share of the one on its label.
        mid_resistance_ohm_ah: Polarisation resistance of a half-full bank times its capacity [ohm Ah].
        acceptance_s_per_ah: Charge acceptance of the last per cents: conductance per Ah at an (absurd) wholly
            empty state, falling with (1 - state of charge) to the power `acceptance_power` [S/Ah].
        acceptance_power: See above.
        polarisation_f_per_ah: Capacitance of the polarisation per Ah: with the gassing it makes a time constant of
            one to two minutes at absorption voltage [F/Ah].
        gassing_a_per_ah: Gassing current at `gassing_v` and 25 °C, per Ah [A/Ah].
        gassing_v: Voltage at which that current flows [V].
        gassing_v_per_decade: Tafel slope: tenfold gassing for so much more voltage [V].
        gassing_v_per_degc: Shift of that voltage with temperature [V/°C].
        thermoneutral_v: Voltage at which electrolysis makes no heat of its own [V].
        heat_j_per_k_ah: Heat capacity of the bank per Ah [J/(K Ah)].
        cooling_w_per_k: What the bank gives off per kelvin above the room [W/K].
        room_degc: Temperature of the room where the bank stands [°C].
        absorption_s: How long the controller holds absorption before it goes to float [s].
        rebulk_v: Battery voltage below which it charges to absorption again [V].
        loads_off_v: Battery voltage at which the inverter gives up [V] ...
        loads_on_v: ... and at which it begins again [V].
        steady_load_w: What runs day and night beside the inverter's idle: the host and the node [W].
        lamp_w: A lamp that somebody switches on and off [W].
        lamp_on_s: How long it is on, on average [s] ...
        lamp_off_s: ... and off [s].
    """

    capacitor_f: float = 4700e-6
    bleed_ohm: float = 122_000.0
    clamp_s: float = 5.0
    missed_per_overspeed: float = 1.2
    magnet_play_deg: float = 2.0
    gate_s: float = 3.0
    wander_s: float = 300.0
    wander_share: float = 0.03
    true_capacity: float = 0.96
    mid_resistance_ohm_ah: float = 8.0
    acceptance_s_per_ah: float = 0.6
    acceptance_power: float = 1.4
    polarisation_f_per_ah: float = 1.0
    gassing_a_per_ah: float = 0.1 / 200
    gassing_v: float = 13.5
    gassing_v_per_decade: float = 1.2
    gassing_v_per_degc: float = -0.024
    thermoneutral_v: float = 6 * 1.48
    heat_j_per_k_ah: float = 250.0
    cooling_w_per_k: float = 2.0
    room_degc: float = 20.0
    absorption_s: float = 3 * 3600.0
    rebulk_v: float = 12.8
    loads_off_v: float = 10.8
    loads_on_v: float = 12.4
    steady_load_w: float = 5.0
    lamp_w: float = 6.0
    lamp_on_s: float = 180.0
    lamp_off_s: float = 300.0


USUAL = Assumptions()

# State of charge and rest voltage of a 12 V lead-acid bank at 25 °C, for a twin whose bank must not be the
# estimator's table: six cells by the electrode potentials of Bode (Lead-Acid Batteries, 1977) at the acid of
# specific gravity 1.120, 1.155, 1.190, 1.225 and 1.265.
REST_VOLTAGE: tuple[tuple[float, float], ...] = (
    (0.00, 11.887),
    (0.25, 12.071),
    (0.50, 12.254),
    (0.75, 12.442),
    (1.00, 12.665),
)
