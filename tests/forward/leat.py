"""Another site with a past: two days in each of two springs, with a bank, a stop, a parked wheel and what was lost."""

from __future__ import annotations

import datetime as dt
import math
from typing import TYPE_CHECKING, Any, Final

from tests.forward.pen import Pen

from wheelpit.contract.messages import Record
from wheelpit.contract.names import CHANNELS, SEQ_PER_BOOT
from wheelpit.plant import demo_plant_path
from wheelpit.store.logbook import FILE, RAKED, Draft, Logbook

if TYPE_CHECKING:
    from pathlib import Path

SITE: Final = "upper-leat"
JOURNAL: Final = "00000000000001ea"
_DAYS: Final = 2
_STEP_MS: Final = 600_000
_FINE_MS: Final = 20_000  # over the last hours: a kettle every quarter of an hour
_FINE_H: Final = 2
_BEGINS: Final = [
    round(dt.datetime(year, 3, 28, 22, 7, tzinfo=dt.UTC).timestamp() * 1000) for year in (2025, 2026)
]  # the clocks go forward on 30 and 29 March
NOW_MS: Final = _BEGINS[1] + (_DAYS * 24 + _FINE_H + 30) * 3_600_000


def give(folder: Path) -> None:
    """Write a folder as the plant's own host has it: plant.toml, ledger and logbook."""
    text = demo_plant_path().read_text(encoding="utf-8").replace('id = "sallow-ghyll"', f'id = "{SITE}"')
    (folder / "plant.toml").write_text(text, encoding="utf-8")
    pen = Pen(folder, site=SITE)
    after = 0
    for boot, begin_ms in enumerate(_BEGINS, 1):
        records = _boot(boot, begin_ms, fine=boot == len(_BEGINS))
        pen.book(*records, after=after, journal=JOURNAL)
        after = records[-1].seq
    seq = SEQ_PER_BOOT * 3 + 1
    pen.book(
        Record(
            seq=seq, first=seq, up_ms=_STEP_MS, dur_ms=_STEP_MS, span_ms=_STEP_MS, end_ms=None, clock="none",
            state="turning", mean={"battery_v": 13.0}, min={}, max={}, total={"charge_mwh": 12_345},
        ),
        after=after,
        journal=JOURNAL,
    )  # fmt: skip
    raked_ms = _BEGINS[0] + 30 * 3_600_000
    Logbook(folder / FILE).write(Draft(site=SITE, kind=RAKED, from_ms=raked_ms), NOW_MS)


def _boot(boot: int, begin_ms: int, *, fine: bool) -> list[Record]:
    """Return the records of a boot; some in the middle are lost."""
    lengths = [_STEP_MS] * (_DAYS * 24 * 6) + [_FINE_MS] * (_FINE_H * 180 if fine else 0)
    total: dict[str, int] = {}
    found, up_ms = [], 0
    for n, span_ms in enumerate(lengths, 1):
        up_ms += span_ms
        state = "stopped" if n % 200 in {77, 78} else "parked" if n % 200 == 140 else "turning"
        turning = state == "turning"
        charge_a = (4.0 + 1.5 * math.sin(n / 60) + 0.2 * boot) * turning
        kettle_a = 20.0 * (span_ms == _FINE_MS and n // 22 % 2)
        house_a = 3.0 + 2.5 * math.sin(n / 23) + kettle_a
        battery_a = charge_a - house_a
        battery_v = 12.7 + 0.01 * battery_a + 0.5 * math.sin(n / 200) ** 2
        mean: dict[str, float | None] = {
            "wheel_rpm": (8.0 + charge_a / 2) * turning,
            "rectified_v": (17.0 + charge_a) * turning,
            "rectified_a": 0.7 * charge_a,
            "charge_a": charge_a,
            "battery_a": battery_a,
            "battery_v": battery_v,
            "dump_a": 0.0,
            "battery_degc": None if n % 97 == 0 else 9.0 + math.sin(n / 70),
        }
        mean = {name: _stepped(name, value) for name, value in mean.items()}
        _add(
            total,
            span_ms,
            wheel_mrev=(mean["wheel_rpm"] or 0.0) * span_ms / 60,
            wheel_edges=4 * (mean["wheel_rpm"] or 0.0) * span_ms / 60_000,
            turning_ms=span_ms * turning,
            above_cutin_ms=span_ms * turning,
            charging_ms=span_ms * turning,
            stopped_ms=(span_ms - 40_000) * (state == "stopped"),
            parked_ms=span_ms * (state == "parked"),
            rectified_mwh=(17.0 + charge_a) * 0.7 * charge_a * span_ms / 3600,
            charge_mwh=battery_v * charge_a * span_ms / 3600,
            charge_mas=charge_a * span_ms,
            battery_in_mwh=battery_v * max(battery_a, 0) * span_ms / 3600,
            battery_out_mwh=battery_v * max(-battery_a, 0) * span_ms / 3600,
            battery_in_mas=max(battery_a, 0) * span_ms,
            battery_out_mas=max(-battery_a, 0) * span_ms,
        )
        if n % 150 < 3 and n > 3:
            continue  # lost on the node
        found.append(
            Record(
                seq=SEQ_PER_BOOT * boot + n,
                first=SEQ_PER_BOOT * boot + n,
                up_ms=up_ms,
                dur_ms=span_ms,
                span_ms=span_ms,
                end_ms=begin_ms + up_ms,
                clock="host",
                state=state,  # type: ignore[arg-type]
                mean=mean,
                min={name: None if value is None else value - 0.05 for name, value in mean.items()},
                max={name: None if value is None else value + 0.05 for name, value in mean.items()},
                faults={"battery_degc": "absent"} if mean["battery_degc"] is None else {},
                total=dict(total),
            )
        )
    return found


def _stepped(name: str, value: float | None) -> float | None:
    step = CHANNELS[name].step
    return None if value is None else round(value / step) * step


def _add(total: dict[str, int], span_ms: int, **amounts: Any) -> None:
    for name, amount in amounts.items():
        total[name] = total.get(name, 0) + round(amount)
    for pair in ("wheel", "rectified", "charge", "battery", "dump"):
        total[f"{pair}_valid_ms"] = total.get(f"{pair}_valid_ms", 0) + span_ms
