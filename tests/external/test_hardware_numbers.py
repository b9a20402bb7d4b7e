"""Each worked number of the hardware notes, computed again from the laws and data sheets that it rests on."""

from __future__ import annotations

from math import exp, log, log10, pi, sqrt
from pathlib import Path

import pytest

from wheelpit.physics import water
from wheelpit.plant import demo_plant_path, load_plant
from wheelpit.plant.description import ShuntSensor
from wheelpit.plant.operating import OperatingPoint, operating_point, runaway

NOTES = Path(__file__).resolve().parents[2] / "hardware_notes"
INA226 = "Texas Instruments SBOS547, INA226: shunt input 81.92 mV in steps of 2.5 uV, offset 10 uV, gain 0.1 %, bias 10 uA"
GUM = "JCGM 100:2008 (GUM) 4.3.7 (rectangular: a / sqrt 3), 5.1.2 (law of propagation), 6.2.1 (k = 2)"
OHM = "Ohm's and Joule's laws"
FULL_V = 0.08192
STEP_V = 2.5e-6
OFFSET_V = 10e-6
GUM_K = 2
BANK_V = 13.5


def _said(name: str, *phrases: str) -> None:
    text = " ".join((NOTES / name).read_text(encoding="utf-8").split())
    for phrase in phrases:
        assert phrase in text, f'{name} should say "{phrase}"'


@pytest.mark.source(INA226)
@pytest.mark.parametrize(
    ("largest_a", "shunt_ohm", "row"),
    [
        (50, 0.0015, "| {ideal:.2f} mohm | 1.5 mohm | {full:.1f} A | {step:.1f} mA | {heat:.1f} W |"),
        (100, 0.00075, "| {ideal:.2f} mohm | 0.75 mohm | {full:.0f} A | {step:.1f} mA | {heat:.1f} W |"),
        (15, 0.005, "| {ideal:.2f} mohm | 5 mohm | {full:.1f} A | {step:.1f} mA | {heat:.1f} W |"),
    ],
)
def test_shunts(largest_a: float, shunt_ohm: float, row: str) -> None:
    _said(
        "sizing.md",
        row.format(
            ideal=FULL_V / largest_a * 1000,
            full=FULL_V / shunt_ohm,
            step=STEP_V / shunt_ohm * 1000,
            heat=largest_a**2 * shunt_ohm,
        ),
    )
    fitted = {
        s.shunt_ohm: s.range_a for s in load_plant(demo_plant_path()).sensors if isinstance(s, ShuntSensor)
    }
    assert fitted[shunt_ohm] == largest_a


@pytest.mark.source(INA226)
def test_zero() -> None:
    zero_a = OFFSET_V / 0.0015
    _said(
        "sizing.md",
        f"On 1.5 mohm that is {zero_a * 1000:.1f} mA: {zero_a * BANK_V * 24:.1f} Wh a day at 13.5 V",
        f"{zero_a * 24 * 180:.0f} Ah in 180 days",
        f"the chip sees 10 uV too much or too little: {10e-6 * 1 / 0.0015 * 1000:.1f} mA on 1.5 mohm",
    )


@pytest.mark.source(
    "CRC Handbook of Chemistry and Physics: copper 0.0039 per K (from memory); manganin 20 ppm/K, makers' sheets"
)
def test_a_hot_shunt() -> None:
    _said(
        "sizing.md",
        f"20 ppm/K and 40 K warmer is {20e-6 * 40 * 100:.2f} % off",
        f"copper wire would be {0.0039 * 40 * 100:.0f} % off",
    )


@pytest.mark.source(GUM)
def test_how_sure_the_energy_is() -> None:
    printed = sqrt(1.0**2 + 0.1**2 + 0.1**2) / sqrt(3)
    compared = sqrt(0.5**2 + 0.1**2 + 0.1**2 + 0.2**2) / sqrt(3)
    _said(
        "sizing.md",
        f"u = sqrt(1.0^2 + 0.1^2 + 0.1^2) / sqrt(3) = {printed:.2f} %, U = {GUM_K * printed:.1f} %",
        f"u = sqrt(0.5^2 + 0.1^2 + 0.1^2 + 0.2^2) / sqrt(3) = {compared:.2f} %, U = {GUM_K * compared:.2f} %",
    )


@pytest.mark.source(OHM)
def test_drops_in_the_leads() -> None:
    _said(
        "sizing.md",
        f"drop {0.008 * 10 * 1000:.0f} mV at 10 A, {0.008 * 10 / BANK_V * 100:.1f} % of 13.5 V",
        f"{0.00075 * 10 * 1000:.1f} mV at 10 A, {0.00075 * 10 / BANK_V * 100:.2f} %, and {0.00075 * 100 * 1000:.0f} mV at 100 A",
    )


@pytest.mark.source(
    OHM + "; RP2040 data sheet, ADC: 12 bits, 8.7 effective; erratum RP2350-E9: below 8.2 kohm"
)
def test_divider() -> None:
    upper, lower = 100e3, 3.3e3
    full_v = 3.3 * (upper + lower) / lower
    share = lower / (upper + lower)
    seen_ohm = upper * lower / (upper + lower)
    _said(
        "sizing.md",
        f"full scale 3.3 V x (100 + 3.3) / 3.3 = {full_v:.1f} V",
        f"at 21 V the pin has {21 * share:.2f} V, at 64 V {64 * share:.2f} V, at 100 V {100 * share:.2f} V",
        f"one step of a 12-bit converter is {full_v / 4096 * 1000:.0f} mV",
        f"wanders by some {full_v / 2**8.7:.2f} V (8.7 effective bits)",
        f"the pin sees {seen_ohm / 1000:.1f} kohm",
        f"if the lower resistor breaks, {(64 - 3.6) / upper * 1000:.2f} mA flow into the clamp at 64 V",
        f"1 uA warm makes {1e-6 * seen_ohm * 1000:.1f} mV at the pin, and that reads as {1e-6 * seen_ohm / share:.2f} V",
    )
    assert seen_ohm < 8.2e3
    _said("first_power_up.md", f"The pin has {12 * share:.2f} V")


@pytest.mark.source(GUM)
def test_how_sure_the_divider_is() -> None:
    ratio = 100 / 103.3 * sqrt(1.0**2 + 1.0**2) / sqrt(3)
    both = sqrt(ratio**2 + (2.0 / sqrt(3)) ** 2)
    _said(
        "sizing.md",
        f"u(ratio) = 100/103.3 x sqrt(1.0^2 + 1.0^2) / sqrt(3) = {ratio:.2f} %",
        f"u = sqrt({ratio:.2f}^2 + (2.0/sqrt(3))^2) = {both:.2f} %, U = {GUM_K * both:.1f} %: "
        f"{50 * GUM_K * both / 100:.1f} V at a limit of 50 V",
    )


@pytest.mark.source(GUM + "; by the differences of the whole formula, so that no derivative is written twice")
def test_the_divider_to_check_arithmetic_with() -> None:
    def source_v(tap_v: float, upper: float, lower: float) -> float:
        return tap_v * (upper + lower) / lower

    given = (2.400, 100e3, 22e3)
    spread = (0.005, 1e3 / sqrt(3), 220 / sqrt(3))
    parts = []
    for number, u in enumerate(spread):
        higher, lower = list(given), list(given)
        higher[number] += u / 100
        lower[number] -= u / 100
        parts.append(50 * (source_v(*higher) - source_v(*lower)))
    whole = sqrt(sum(part**2 for part in parts))
    _said(
        "sizing.md",
        f"is {source_v(*given):.3f} V with u = {whole:.3f} V",
        f"Each resistor brings {abs(parts[1]):.3f} V, the reading {parts[0]:.3f} V",
    )
    assert abs(parts[1]) == pytest.approx(abs(parts[2]), rel=1e-3)


@pytest.mark.source("discharge of a capacitor, v = V exp(-t / RC); Joule's law")
def test_bleeder() -> None:
    farad, bleeder = 4700e-6, 2200.0
    wait_s = farad * bleeder * log(64 / 2)
    alone_s = farad * 103.3e3 * log(64 / 2)
    _said(
        "sizing.md",
        f"they need {alone_s / 60:.0f} minutes from 64 V down to 2 V",
        f"the time constant is {farad * bleeder:.1f} s and 2 V are reached after {wait_s:.0f} s",
        f"{64**2 / bleeder:.1f} W into heat at 64 V and {100**2 / bleeder:.1f} W at 100 V",
    )
    assert 64 * exp(-120 / (farad * bleeder)) < 2  # "wait two minutes"


@pytest.mark.source("P = rho g Q H; " + OHM)
def test_clamp() -> None:
    offered_w = water.hydraulic_power(0.020, 1.80, 999.9, 9.8138)
    _said(
        "sizing.md",
        f"20 L/s x 1.80 m is {offered_w:.0f} W",
        f"10 ohm at 60 V take {60 / 10:.0f} A and {60**2 / 10:.0f} W",
    )
    assert offered_w < 60**2 / 10


@pytest.mark.source("60 seconds to a minute")
def test_blind_between_magnets() -> None:
    def between_s(rpm: float, magnets: int) -> str:
        return f"{60 / rpm / magnets:.1f} s"

    _said(
        "sensors.md",
        f"at 10 rpm one magnet leaves the node blind for {between_s(10, 1)}, four for {between_s(10, 4)}",
        f"at 6.7 rpm, where the example plant begins to charge, one for {between_s(6.7, 1)} and four for {between_s(6.7, 4)}",
        f"At 4.7 kohm {3.3 / 4.7:.2f} mA flow",
    )


@pytest.mark.source("NXP UM10204, I2C-bus specification, 7.1: Rp(min) = (Vdd - 0.4 V) / 3 mA")
def test_pull_ups_of_the_bus() -> None:
    _said(
        "sensors.md",
        f"four modules of 10 kohm each make {10 / 4:.1f} kohm",
        f"ask for {(3.3 - 0.4) / 3:.2f} kohm",
    )
    assert 1 / (4 / 10 + 1 / 4.7) > (3.3 - 0.4) / 3  # the modules' and ours together


@pytest.mark.source(
    "ITU-R P.525: loss = 20 log10(4 pi d / wavelength); ITU-R P.526: first Fresnel zone half-way, sqrt(wavelength d) / 2"
)
@pytest.mark.parametrize("metres", [50, 100, 300])
def test_range(metres: int) -> None:
    wavelength_m = 299_792_458 / 2.437e9
    loss_db = 20 * log10(4 * pi * metres / wavelength_m)
    left_db = 15 + 2 + 2 - loss_db + 82
    clear_m = sqrt(wavelength_m * metres) / 2
    _said("enclosure_and_range.md", f"| {metres} m | {loss_db:.0f} dB | {left_db:.0f} dB | {clear_m:.1f} m |")


@pytest.mark.source("time constant R C; 100 pF/m is usual for signal cable (common practice)")
def test_a_long_pickup_cable() -> None:
    farad = 300 * 100e-12
    _said(
        "enclosure_and_range.md",
        f"are {farad * 1e9:.0f} nF, with 4.7 kohm a time constant of {farad * 4.7e3 * 1000:.2f} ms",
    )


@pytest.mark.source("24 hours a day; the plant's own steady point at its lowest flow")
def test_what_the_watching_takes() -> None:
    own_wh = (4 + 0.6) * 24
    point = operating_point(load_plant(demo_plant_path()), 2.0)
    assert isinstance(point, OperatingPoint)
    least_w = round(point.battery_w)
    _said(
        "low_power.md",
        f"Host 4 W and node 0.6 W take {own_wh:.0f} Wh a day",
        f"gives {54 * 24 / 1000:.1f} kWh a day: that is {own_wh / (54 * 24) * 100:.1f} %",
        f"at 2 L/s the example gives {least_w} W, {least_w * 24 / 1000:.2f} kWh a day, "
        f"and the watching takes {own_wh / (least_w * 24) * 100:.0f} % of it",
        f"| node on Wi-Fi | 0.6 | {0.6 * 24:.0f} |",
        f"| inverter idling | 9 | {9 * 24} |",
    )
    _said("sizing.md", f"0.6 W from 13.5 V are {0.6 / BANK_V * 1000:.0f} mA")


@pytest.mark.source(
    "2 pi / 60 radians a second to a turn a minute; torque constant equals voltage constant in SI"
)
def test_torque_constant() -> None:
    _said("calibration.md", f"0.14 V per rpm are {0.14 * 60 / (2 * pi):.3f} V s/rad")


@pytest.mark.source("0.5 % + 3 digits, as makers of meters state it (common practice); Ohm's law")
def test_the_meter() -> None:
    _said(
        "calibration.md",
        f"0.5 % + 3 digits: {0.005 * 13.5 + 3 * 0.01:.2f} V",
        f"10 A on 1.5 mohm are {10 * 1.5:.2f} mV",
    )


@pytest.mark.source("the example plant's own steady states")
def test_the_voltages_of_the_example() -> None:
    plant = load_plant(demo_plant_path())
    point = operating_point(plant, plant.water.highest_flow_l_s)
    assert isinstance(point, OperatingPoint)
    lost_v = runaway(plant, plant.water.highest_flow_l_s).open_v
    _said(
        "sizing.md", f"{point.rectified_v:.0f} V after the bridge in normal life, {lost_v:.0f} V without load"
    )
    _said("safety.md", f"Without load the example plant reaches {lost_v:.0f} V")
