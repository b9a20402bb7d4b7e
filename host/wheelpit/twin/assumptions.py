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
        cable_ohm: Cable from the bridge to the battery, where no converter is between [ohm].
        forced_restart_s: How long a converter that no longer folds back waits before it starts again [s].
        winding_j_per_k_w: Heat capacity of the alternator per watt of its rating [J/(K W)].
        winding_cooling_s: Time constant of its cooling [s].
        copper_per_degc: Rise of the windings' resistance [1/°C].
        magnets_per_degc: Loss of the magnets' strength [1/°C].
        alternator_degc: Temperature at which resistance and strength are those of the description [°C].
        missed_per_overspeed: Share of the jet that misses, per share by which the buckets outrun it.
        rotor_share: The alternator's part of the moment of inertia, seen from the wheel.
        belt_reserve: Torque at which a proper belt slips, over the one of the highest flow.
        belt_creep: How much more a belt creeps as it comes near to slipping, at most.
        wade_m_per_m: Drag of a wheel in its tailwater: effective depth of the buckets per depth of immersion.
        magnet_play_deg: How unevenly the magnets are glued on, at most, either way [°].
        gate_s: Time constant of gate and launder after an order to change the flow [s].
        wander_s: Time over which the flow's wander forgets itself [s].
        wander_share: Standard deviation of the wander, as a share of the flow.
        true_capacity: Real capacity of the bank as a share of the one on its label.
        mid_resistance_ohm_ah: Polarisation resistance of a half-full bank on charge, times its capacity [ohm Ah].
        discharge_ohm_ah: The same of a full bank on discharge; it grows as the bank empties [ohm Ah].
        diffusion_ohm_ah: Resistance that builds up and goes within `diffusion_s`, times capacity [ohm Ah].
        diffusion_s: Time constant of the acid's evening out [s].
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
        self_discharge_per_day: Share of the capacity that a flooded bank loses in a day at 25 °C; sealed ones and
            LiFePO4 lose a sixth of it. Doubles with every 10 °C.
        heat_j_per_k_ah: Heat capacity of the bank per Ah [J/(K Ah)].
        cooling_w_per_k: What the bank gives off per kelvin above the room [W/K].
        room_degc: Temperature of the room where bank and alternator stand, where no season tells it [°C].
        absorption_s: How long the controller holds absorption before it goes to float [s].
        rebulk_v: Battery voltage below which it charges to absorption again [V].
        dump_chopped: Whether the controller chops the diversion load's current (else it is a steady one).
        loads_off_v: Battery voltage at which the inverter gives up [V] ...
        loads_on_v: ... and at which it begins again [V].
        inverter_ripple: How much of the inverter's current swings at twice the mains frequency, 0 to 1.
        steady_load_w: What runs day and night beside the inverter's idle: the host and the node [W].
        lamp_w: A lamp that somebody switches on and off [W].
        lamp_on_s: How long it is on, on average [s] ...
        lamp_off_s: ... and off [s].
    """

    capacitor_f: float = 4700e-6
    bleed_ohm: float = 122_000.0
    clamp_s: float = 5.0
    cable_ohm: float = 0.01
    forced_restart_s: float = 2.0
    winding_j_per_k_w: float = 20.0
    winding_cooling_s: float = 3600.0
    copper_per_degc: float = 0.00393
    magnets_per_degc: float = 0.0012
    alternator_degc: float = 20.0
    missed_per_overspeed: float = 1.2
    rotor_share: float = 0.08
    belt_reserve: float = 2.5
    belt_creep: float = 0.03
    wade_m_per_m: float = 1.0
    magnet_play_deg: float = 2.0
    gate_s: float = 3.0
    wander_s: float = 300.0
    wander_share: float = 0.03
    true_capacity: float = 0.96
    mid_resistance_ohm_ah: float = 8.0
    discharge_ohm_ah: float = 0.5
    diffusion_ohm_ah: float = 0.4
    diffusion_s: float = 2400.0
    acceptance_s_per_ah: float = 0.6
    acceptance_power: float = 1.4
    polarisation_f_per_ah: float = 1.0
    gassing_a_per_ah: float = 0.1 / 200
    gassing_v: float = 13.5
    gassing_v_per_decade: float = 1.2
    gassing_v_per_degc: float = -0.024
    thermoneutral_v: float = 6 * 1.48
    self_discharge_per_day: float = 0.006
    heat_j_per_k_ah: float = 250.0
    cooling_w_per_k: float = 2.0
    room_degc: float = 20.0
    absorption_s: float = 3 * 3600.0
    rebulk_v: float = 12.8
    dump_chopped: bool = True
    loads_off_v: float = 10.8
    loads_on_v: float = 12.4
    inverter_ripple: float = 0.7
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

# The same of four LiFePO4 cells: rest voltage of one cell of the parameter set Prada2013 as PyBaMM 26.10 gives it, times
# four. Beyond full the line is ours: what is no longer taken drives the voltage up at once.
LFP_REST_VOLTAGE: tuple[tuple[float, float], ...] = tuple(
    (share, 4 * volts)
    for share, volts in (
        (0.0, 2.2231), (0.1, 2.9972), (0.2, 3.1715), (0.3, 3.2087), (0.4, 3.2539), (0.5, 3.2662), (0.6, 3.2689),
        (0.7, 3.2745), (0.8, 3.3099), (0.9, 3.3142), (1.0, 3.6000),
    )
)  # fmt: skip
