"""Shunts, pulls, counted turns and voltages: what follows from them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from wheelpit.accounts.commission.readings import Reading, derived, mean_of, pulls_of
from wheelpit.accounts.commission.results import Entry
from wheelpit.accounts.commission.steps import expected_sign, shunts_of
from wheelpit.accounts.figure import Figure
from wheelpit.physics.alternator import PEAK_PER_MEAN, volts_per_radian
from wheelpit.physics.bench import constants_differ, pull_torque, turns_per_second
from wheelpit.physics.uncertainty import u_of_limits
from wheelpit.plant.chain import ratio_of
from wheelpit.plant.precision import precision_of

if TYPE_CHECKING:
    from wheelpit.accounts.commission.answers import Answers
    from wheelpit.accounts.commission.readings import Pulls
    from wheelpit.accounts.commission.results import Outcome
    from wheelpit.plant.description import Plant

_DIFFER: Final = 0.10  # two ways to one constant that lie further apart speak of a mistake
_RATIO_OFF: Final = 0.01
_COUNT_U: Final = 0.05  # of a turn, counted by eye over a mark
_WATCH_U_S: Final = 0.2
_SPEED_OFF: Final = 0.03
_ZERO_SHARE: Final = 0.02  # of a shunt's range: more than this is no zero
_SURE: Final = 3.0  # a sign is told by a current so many times its zero


def signs(plant: Plant, answers: Answers, found: Outcome) -> None:
    """Judge the sign of every shunt, and take its zero."""
    for sensor in shunts_of(plant):
        channel = sensor.channel
        on, zero = answers.number(f"signs.{channel}_on"), answers.number(f"signs.{channel}_zero")
        offset = sensor.offset_u if sensor.offset_u is not None else precision_of(sensor).reading_u
        turned = False
        if on is not None:
            moved = on - (zero or 0.0)
            if abs(moved) <= _SURE * max(offset, abs(zero or 0.0)):
                found.warnings.append(
                    f"{channel}: {on:g} A is too little to tell the sign by: switch on something larger"
                )
            else:
                turned = moved * expected_sign(channel) < 0
                found.add("signs", f"{channel}_on", f"{channel} in its test", Figure(value=on, u=offset), "A")
        if turned:
            found.warnings.append(
                f"{channel} shows {on:g} A where it must be {'above' if expected_sign(channel) > 0 else 'below'} zero: the "
                "shunt's two sense wires are swapped; swap them, or let plant.toml turn it"
            )
            found.entries.append(
                Entry(
                    table="sensor",
                    channel=channel,
                    key="invert",
                    value=not sensor.invert,
                    why=f"showed {on:g} A in its test",
                )
            )
        if zero is None:
            continue
        if abs(zero) > _ZERO_SHARE * sensor.range_a:
            found.warnings.append(
                f"{channel}: {zero:g} A with its circuit open is no zero: something still flows"
            )
            continue
        found.add("signs", f"{channel}_zero", f"{channel} of nothing", Figure(value=zero, u=offset), "A")
        left = sensor.zero_a + zero
        found.entries.append(
            Entry(
                table="sensor", channel=channel, key="zero_a", value=round(-left if turned else left, 4),
                why="what it showed with its circuit open",
            )
        )  # fmt: skip


def pulls(plant: Plant, answers: Answers, found: Outcome) -> None:
    """Work out the torques of the pull tests."""
    radius_u = u_of_limits((answers.number("pull.radius_u_mm") or 0.0) / 1000)
    force_u = u_of_limits(answers.number("pull.force_u_n") or 0.0)
    rim, pulley = answers.number("pull.rim_radius_m"), answers.number("pull.pulley_radius_m")

    def torque(name: str, key: str, what: str, radius: float | None) -> Pulls | None:
        pulled = pulls_of(answers.series(f"pull.{name}"), force_u)
        if pulled is None or radius is None:
            return None
        note = f"at walking pace, {pulled.readings} pulls"
        note += "" if pulled.hump is None else f"; start hump {pulled.hump:g} N not in it"
        found.add(
            "pull",
            key,
            what,
            derived(pull_torque, pulled.steady, Reading(radius, radius_u), note=note),
            "N m",
        )
        return pulled

    bare = torque("bare_n", "bare_nm", "torque of the bearings", rim)
    idle = torque("idle_n", "idle_nm", "torque with belt and alternator", rim)
    alone = torque("pulley_idle_n", "iron_nm", "torque of the alternator alone", pulley)
    loaded = torque("pulley_loaded_n", "loaded_nm", "torque of the alternator under current", pulley)
    if idle is not None and idle.hump is not None and rim is not None:
        hump = derived(
            pull_torque, Reading(idle.hump, force_u), Reading(rim, radius_u), note="stiction and cogging"
        )
        found.add("pull", "break_away_nm", "torque to break away", hump, "N m")
    if bare is not None:
        _entry(found, "wheel", "bearing_nm", found.get("bare_nm"), "pulled at the rim, belt off")
    if alone is not None:
        _entry(
            found, "alternator", "iron_nm", found.get("iron_nm"), "pulled at its pulley, nothing connected"
        )
    if rim is not None and pulley is not None and idle is not None and alone is not None:
        rims = (Reading(rim, radius_u), Reading(pulley, radius_u))
        _drive(plant, answers, found, (bare, idle, alone), rims)
    amps = answers.number("pull.pulley_loaded_a")
    if loaded is not None and alone is not None and pulley is not None and amps is not None:
        current = Reading(amps, u_of_limits(answers.number("pull.pulley_loaded_u_a") or 0.0))
        # The balance's own error is in both pulls and goes out of the difference; it is counted in both: on the safe side.
        found.add(
            "pull",
            "nm_per_a",
            "torque per direct ampere",
            derived(
                lambda with_n, without_n, r, i: (with_n - without_n) * r / i,
                loaded.steady, alone.steady, Reading(pulley, radius_u), current,
            ),
            "N m/A",
        )  # fmt: skip


def _drive(
    plant: Plant,
    answers: Answers,
    found: Outcome,
    pulled: tuple[Pulls | None, Pulls, Pulls],
    radii: tuple[Reading, Reading],
) -> None:
    """Hold the drive's torque against what it would take without loss."""
    bare, idle, alone = pulled
    rim, pulley = radii
    bearings = Reading(0.0, 0.0) if bare is None else bare.steady
    turned = _counted_ratio(answers)
    ratio = (
        Reading(ratio_of(plant), 0.01 * ratio_of(plant))
        if turned is None
        else Reading(turned.value, turned.u)
    )
    note = (
        "the bearings are in it: pull the wheel with the belt off, too"
        if bare is None
        else "bearings taken off"
    )

    def excess(idle_n: float, bare_n: float, alone_n: float, r1: float, r2: float, i: float) -> float:  # noqa: PLR0917
        return (idle_n - bare_n) * r1 / (i * alone_n * r2) - 1.0

    inputs = (idle.steady, bearings, alone.steady, rim, pulley, ratio)
    more = derived(excess, *inputs, note=note)
    if more.value < 0:
        found.warnings.append(
            "the wheel took less torque than the alternator's pull and the ratio demand: that would make energy from "
            "nothing; a radius, the ratio or a reading is wrong"
        )
        return
    theory = derived(lambda n, r, i: n * r * i, alone.steady, pulley, ratio)
    found.add("pull", "theory_nm", "theory: the drive without loss", theory, "N m")
    found.add("pull", "excess_torque", "excess torque, share of theory", more)
    loss = derived(lambda *told: 1.0 - 1.0 / (1.0 + excess(*told)), *inputs, note=note)
    found.add("pull", "drive_loss", "drive loss, share of what goes in", loss)


def _counted_ratio(answers: Answers) -> Figure | None:
    wheel, alternator = answers.number("turns.wheel"), answers.number("turns.alternator")
    if wheel is None or alternator is None:
        return None
    return derived(
        lambda slow, fast: fast / slow, Reading(wheel, _COUNT_U / 2), Reading(alternator, _COUNT_U)
    )


def turns(plant: Plant, answers: Answers, found: Outcome) -> None:
    """Work out the ratio and the speed from counted turns, and hold the pickup against them."""
    ratio = _counted_ratio(answers)
    if ratio is not None:
        found.add("turns", "ratio", "ratio by counting", ratio)
        by_radii = ratio_of(plant)
        off = ratio.value / by_radii - 1.0
        if abs(off) > max(_RATIO_OFF, 2.0 * ratio.u / ratio.value):
            found.warnings.append(
                f"the ratio by counting, {ratio.value:.2f}, is {100 * off:+.1f} % off the one by plant.toml's diameters, "
                f"{by_radii:.2f}: the counted one holds; a flat belt's thickness counts"
            )
            told = plant.belt
            pitch_m = (told.drum_diameter_m + told.belt_mm / 1000) / ratio.value
            pulley_m = round(pitch_m - told.belt_mm / 1000, 5)
            why = f"so that the ratio is the counted {ratio.value:.2f}"
            found.entries.append(Entry(table="belt", key="pulley_diameter_m", value=pulley_m, why=why))
    counted, seconds = answers.number("turns.counted"), answers.number("turns.counted_s")
    if counted is None or seconds is None:
        return
    speed = derived(
        lambda n, t: 60.0 * turns_per_second(n, t), Reading(counted, _COUNT_U), Reading(seconds, _WATCH_U_S)
    )
    found.add("turns", "counted_rpm", "wheel speed by counting", speed, "rpm")
    shown = answers.number("turns.shown_rpm")
    if shown is not None and abs(shown / speed.value - 1.0) > max(_SPEED_OFF, 2.0 * speed.u / speed.value):
        found.warnings.append(
            f"wheel_rpm showed {shown:g}, counted were {speed.value:.2f}: the number of magnets in plant.toml is wrong, or "
            "one is not seen"
        )


def volts(plant: Plant, answers: Answers, found: Outcome) -> None:
    """Work out the alternator's constant from voltages without load, and hold torque per ampere against it."""
    open_v, open_rpm = answers.series("volts.open_v"), answers.series("volts.open_rpm")
    meter_u = u_of_limits((answers.number("volts.meter_pct") or 0.0) / 100)
    if open_v and len(open_v) != len(open_rpm):
        found.warnings.append(
            f"{len(open_v)} voltages without load and {len(open_rpm)} speeds: give one speed for each"
        )
        return
    if not open_v:
        return
    drop_v = 2.0 * plant.alternator.diode_v
    # Without current the capacitor holds the peak, less two diodes.
    each = [(volt + drop_v) / (speed * PEAK_PER_MEAN) for volt, speed in zip(open_v, open_rpm, strict=True)]
    mean = mean_of(each, meter_u * sum(each) / len(each))
    constant = Figure(value=mean.value, u=mean.u, note="from the peak that the capacitor holds, over 1.047")
    found.add("volts", "v_per_rpm", "volts after the bridge per rpm", constant, "V/rpm")
    _entry(found, "alternator", "v_per_rpm", constant, f"from {len(each)} voltages without load")
    by_volts = volts_per_radian(constant.value)
    found.add(
        "volts", "volts_per_rad_s", "the same per rad/s", Figure(value=by_volts, u=by_volts * mean.u / mean.value), "V s/rad"
    )  # fmt: skip
    by_torque = found.get("nm_per_a")
    if by_torque is None:
        return
    apart = constants_differ(by_volts, by_torque.value)
    found.add(
        "volts",
        "constants_apart",
        "the two constants: how far apart",
        Figure(
            value=apart, u=(by_torque.u**2 + (by_torque.value * mean.u / mean.value) ** 2) ** 0.5 / by_volts
        ),
    )
    if apart > _DIFFER:
        found.warnings.append(_why_apart(by_torque.value / by_volts))


def _why_apart(quotient: float) -> str:
    """Return which mistake makes two constants that must be one differ by a factor."""
    text = (
        f"torque per ampere is {quotient:.2f} times the volts per rad/s; they must be one number: either the pulley's radius, "
        "or a reading of force or current, or the speed is wrong"
    )
    return (
        f"{text}. If the speed was taken from a phase's frequency, the pole count is: it then is off by that factor. If "
        "the current was an alternating one, it is not the direct current behind the bridge"
    )


def _entry(found: Outcome, table: str, key: str, figure: Figure | None, why: str) -> None:
    if figure is not None:
        digits = 4 if figure.value < 1 else 3
        found.entries.append(Entry(table=table, key=key, value=float(f"{figure.value:.{digits}g}"), why=why))
