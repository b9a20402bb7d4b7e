"""What the house asks: what the wheel gives just now, and what is taken. Both currents are needed for the second."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from wheelpit.accounts.uncertainty import Trusts

if TYPE_CHECKING:
    from wheelpit.accounts.figure import Figure
    from wheelpit.plant.description import Plant
    from wheelpit.store.reading import Reading

_MS_PER_H: Final = 3_600_000.0
_LEAST: Final = 0.5  # of the time must have been measured
_PAIRS: Final = ("charge", "battery")


@dataclass(frozen=True, slots=True)
class Household:
    """Mean powers of a time [W]: given by the wheel, and taken by loads and diversion; None where it is not measured."""

    give_w: Figure | None
    take_w: Figure | None


def household(reader: Reading, site: str, plant: Plant, from_ms: int, to_ms: int) -> Household:
    """Return what was given and taken in a time, such as the last hour.

    What is taken is what was given less what went into the battery; with another source on the battery it is not known.

    Args:
        reader: The ledger.
        site: The site's id.
        plant: The plant with its changes.
        from_ms: Where the time begins [Unix ms].
        to_ms: Where it ends.

    """
    names = (
        "charge_mwh",
        "charge_back_mwh",
        "charge_valid_ms",
        "battery_in_mwh",
        "battery_out_mwh",
        "battery_valid_ms",
    )
    columns = reader.bucket_columns(site, from_ms, to_ms, names, ("battery_v",))
    sums = {name: float(column.sum()) for name, column in columns.totals.items()}
    length_ms = float((columns.end_ms - columns.start_ms).sum())
    trust = Trusts(plant).at(to_ms)
    known = [
        pair
        for pair in _PAIRS
        if trust.knows(pair) and sums[f"{pair}_valid_ms"] > _LEAST * max(length_ms, 1.0)
    ]
    if "charge" not in known:
        return Household(None, None)
    valid = columns.valid_ms["battery_v"]
    mean_v = float((columns.mean["battery_v"] * valid)[valid > 0].sum() / max(valid.sum(), 1))

    def hours(pair: str) -> float:
        return sums[f"{pair}_valid_ms"] / _MS_PER_H

    net_wh = {
        "charge": (sums["charge_mwh"] - sums["charge_back_mwh"]) / 1000.0,
        "battery": (sums["battery_in_mwh"] - sums["battery_out_mwh"]) / 1000.0,
    }
    power = {
        pair: trust.energy(pair, net_wh[pair], hours=hours(pair), mean_v=mean_v).times(1.0 / hours(pair))
        for pair in known
    }
    give_w = power["charge"].figure()
    if "battery" not in known or plant.other_sources:
        return Household(give_w, None)
    return Household(give_w, (power["charge"] - power["battery"]).figure())
