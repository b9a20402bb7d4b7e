"""Many bodies decoded together give what each gives by itself."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wheelpit.contract.names import SEQ_PER_BOOT
from wheelpit.store import decoded
from wheelpit.store.columns import columns_of_days
from wheelpit.store.packing import Sums, decode, encode, pack_sums, unpack_sums
from wheelpit.store.unpacking import unpack_columns, unpack_many_sums

if TYPE_CHECKING:
    from collections.abc import Callable

    from wheelpit.contract.messages import Record

NUMBER = st.integers(-(1 << 61), 1 << 61)


@given(st.integers(1, 6).flatmap(lambda n: st.lists(st.lists(NUMBER, min_size=n, max_size=n), min_size=1)))
def test_columns_are_what_each_body_says(rows: list[list[int]]) -> None:
    bodies = [encode(row) for row in rows]
    assert unpack_columns(bodies, len(rows[0])).T.tolist() == rows == [decode(body) for body in bodies]
    wanted = list(range(0, len(rows[0]), 2))
    assert unpack_columns(bodies, len(rows[0]), wanted).T.tolist() == [row[::2] for row in rows]


@given(st.lists(st.tuples(*[NUMBER] * 6), min_size=1))
def test_many_roll_ups_are_what_each_body_says(told: list[tuple[int, ...]]) -> None:
    packed = [
        pack_sums(Sums(a, b, c, {"charge_mwh": d}, {"battery_v": [a, e, f, b]})) for a, b, c, d, e, f in told
    ]
    layout = packed[0][0]
    bodies = [body for _, body in packed]
    assert unpack_many_sums(layout, bodies) == [unpack_sums(layout, body) for body in bodies]


def test_no_bodies_give_no_rows() -> None:
    assert unpack_columns([], 3).shape == (3, 0)


@pytest.mark.parametrize("bodies", [[encode([1, 2])], [encode([1, 2, 3])[:-1] + b"\x80"]])
def test_bodies_that_do_not_fit_are_refused(bodies: list[bytes]) -> None:
    with pytest.raises(ValueError, match="3 numbers each were expected"):
        unpack_columns(bodies, 3)


def test_a_number_that_is_too_large_is_refused() -> None:
    with pytest.raises(ValueError, match="more than 63 bits"):
        unpack_columns([encode([1 << 70])], 1)


def test_bucket_columns_are_the_buckets(desk: Any, record: Callable[..., Record], noon_ms: int) -> None:
    boot = SEQ_PER_BOOT
    for n in range(1, 200):
        extra = {"load_mwh": n} if n > 100 else {}
        total = {"charge_mwh": n * 100, "charge_valid_ms": n * 10_000} | extra
        desk.take(record(n, total=total), after=boot + n - 1 if n > 1 else 0)
    desk.take(record(70, total={"load_mwh": 5_000}), node="house", journal="f" * 16)
    day_ms = 86_400_000
    columns = desk.reader.bucket_columns(
        "site", noon_ms, noon_ms + day_ms, ["charge_mwh", "load_mwh", "dump_mwh"]
    )
    buckets = desk.reader.buckets("site", noon_ms, noon_ms + day_ms)
    assert columns.start_ms.tolist() == [bucket.start_ms for bucket in buckets]
    assert columns.end_ms.tolist() == [bucket.end_ms for bucket in buckets]
    for name in ("charge_mwh", "load_mwh", "dump_mwh"):
        assert columns.totals[name].tolist() == [bucket.totals.get(name, 0) for bucket in buckets]


@pytest.fixture
def four_days(desk: Any, record: Callable[..., Record], noon_ms: int) -> Any:
    """A ledger of four days of two nodes, of which one counts more than the other, and on the last day sleeps."""
    for day in range(4):
        end_ms = desk.now_ms = noon_ms + day * 86_400_000
        for number, node in enumerate(("wheel", "house")[: 1 if day == 3 else 2]):
            extra = {"load_mwh": day} if number else {}
            total = {"charge_mwh": 100 + day, "charge_valid_ms": 10_000} | extra
            desk.take(
                record(1, end_ms=end_ms + 10_000, total=total),
                node=node,
                journal=f"{day * 2 + number + 1:016x}",
            )
    return desk


def test_day_columns_are_the_days(four_days: Any) -> None:
    days = four_days.reader.days("site")
    columns = four_days.reader.day_columns("site")
    assert columns.days == tuple(day.day for day in days)
    assert columns.start_ms.tolist() == [day.start_ms for day in days]
    assert columns.end_ms.tolist() == [day.end_ms for day in days]
    assert columns.span_ms.tolist() == [day.span_ms for day in days]
    assert columns.longest_record_ms.tolist() == [day.longest_record_ms for day in days]
    for name, column in columns.totals.items():
        assert column.tolist() == [day.totals.get(name, 0) for day in days]
        assert columns.told[name].tolist() == [name in day.totals for day in days]
    assert columns.told["load_mwh"].tolist() == [True, True, True, False]
    for channel, mean in columns.mean.items():
        assert mean.tolist() == [day.channels[channel].mean for day in days]
        assert columns.valid_ms[channel].tolist() == [day.channels[channel].valid_ms for day in days]
    assert columns.total("dump_mwh").tolist() == columns.measured("stage_m").tolist() == [0, 0, 0, 0]
    # A store without packed ones makes them of its rows.
    for name, told in dataclasses.asdict(columns_of_days(days)).items():
        assert str(told) == str(getattr(columns, name))
    assert four_days.reader.day_columns("site", days[1].day, days[2].day).days == columns.days[1:3]
    assert four_days.reader.day_columns("elsewhere").days == ()


def test_days_decoded_together_are_those_decoded_one_by_one(
    four_days: Any, noon_ms: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    desk = four_days
    one_by_one = desk.reader.days("site"), desk.reader.buckets("site", noon_ms, noon_ms + 4 * 86_400_000)
    monkeypatch.setattr(decoded, "_MANY", 1)
    assert (
        desk.reader.days("site"),
        desk.reader.buckets("site", noon_ms, noon_ms + 4 * 86_400_000),
    ) == one_by_one
    assert [row.totals["charge_mwh"] for row in one_by_one[0]] == [200, 202, 204, 103]


def test_channel_columns_are_the_buckets_means_and_day_marks_change_with_what_is_booked(
    desk: Any, record: Callable[..., Record], noon_ms: int
) -> None:
    for n in range(1, 100):
        desk.take(record(n), after=SEQ_PER_BOOT + n - 1 if n > 1 else 0)
    day_ms = 86_400_000
    columns = desk.reader.bucket_columns("site", noon_ms, noon_ms + day_ms, [], ["battery_v", "wheel_rpm"])
    buckets = desk.reader.buckets("site", noon_ms, noon_ms + day_ms)
    assert columns.mean["battery_v"].tolist() == [bucket.channels["battery_v"].mean for bucket in buckets]
    assert columns.valid_ms["battery_v"].tolist() == [
        bucket.channels["battery_v"].valid_ms for bucket in buckets
    ]
    assert not columns.valid_ms["wheel_rpm"].any()
    assert all(value != value for value in columns.mean["wheel_rpm"].tolist())  # noqa: PLR0124 - not a number
    (before,) = desk.reader.day_marks("site")
    assert desk.reader.day_marks("site") == [before]
    desk.take(record(100), after=SEQ_PER_BOOT + 99)
    (after,) = desk.reader.day_marks("site")
    assert (after.day, after.start_ms, after.end_ms) == (before.day, before.start_ms, before.end_ms)
    assert after.check != before.check
