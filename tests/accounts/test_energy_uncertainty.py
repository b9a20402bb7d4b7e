"""How sure an energy is: what adds up, what cancels, what averages out, and the plant of the day."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from datetime import date
from typing import Any

import pytest
from click.testing import CliRunner

from wheelpit.accounts.books import day_books, total_energy
from wheelpit.accounts.gaps import Gap
from wheelpit.accounts.uncertainty import Trusts, Uncertain, total
from wheelpit.cli import main
from wheelpit.plant import demo_plant_path, load_plant, parse_plant
from wheelpit.plant.precision import precision_of
from wheelpit.store.days import LocalDays

HOUR = 3_600_000
TEN_MIN = 600_000
DAYS = LocalDays("Europe/London")
JUNE_1 = DAYS.bounds(date(2026, 6, 1))[0]
AFTER = JUNE_1 + 400 * 24 * HOUR
TEXT = demo_plant_path().read_text(encoding="utf-8")
PLANT = load_plant(demo_plant_path())


def fill(books: Any, days: int, mwh: int = 10_000) -> None:
    for hour in range(24 * days):
        books.add(JUNE_1 + (hour + 1) * HOUR, HOUR, charge_mwh=6 * mwh, charge_valid_ms=HOUR)


def of(books: Any, plant: Any = PLANT) -> Any:
    return day_books(books.reader, books.site, plant, now_ms=AFTER)


def test_errors_of_gain_add_up_over_a_season_and_readings_average_out(books: Any) -> None:
    fill(books, 9)
    found = of(books)
    whole = total_energy(found)
    assert whole is not None
    assert whole.value == 9 * 1440.0
    assert whole.u == pytest.approx(9 * found[0].energy.u, rel=1e-4)
    assert whole.u / whole.value > 0.003
    readings = [dict(book.budget)["readings"] for book in found]
    assert max(readings) < 1e-3 * found[0].energy.u


def test_the_measured_part_is_not_filled_in(books: Any) -> None:
    fill(books, 1)
    books.begin()
    for cell in range(36):  # a quarter of the next day but one
        books.add(JUNE_1 + 48 * HOUR + (cell + 1) * TEN_MIN, charge_mwh=10_000, charge_valid_ms=TEN_MIN)
    first, last = of(books)
    assert last.energy.value == 360.0
    assert last.energy.u == pytest.approx(first.energy.u / 4, rel=1e-3)
    assert last.energy.coverage == 0.25
    whole = total_energy([first, last])
    assert whole is not None
    assert whole.value == 1800.0
    assert whole.coverage == pytest.approx(1.25 / 3)


def test_an_offset_counts_for_the_time_and_a_gain_for_the_energy() -> None:
    trust = Trusts(PLANT).at(0)
    nothing = trust.energy("charge", 0.0, hours=24.0, mean_v=12.5)
    sensor = PLANT.sensor("charge_a")
    assert sensor is not None
    assert nothing.u == pytest.approx(precision_of(sensor).offset_u * 12.5 * 24, rel=1e-3)
    much = trust.energy("charge", 3000.0, hours=24.0, mean_v=13.5)
    assert much.parts["charge_a gain"] == pytest.approx(precision_of(sensor).gain_u * 3000)
    text = TEXT.replace("shunt_ohm = 0.0015\n", "shunt_ohm = 0.0015\noffset_u = 0.0001\n", 1)
    zeroed = parse_plant(text)
    assert Trusts(zeroed).at(0).energy("charge", 0.0, hours=24.0, mean_v=12.5).u < nothing.u / 30


def test_a_comparison_with_a_better_meter_replaces_the_tolerances() -> None:
    compared = parse_plant(TEXT.replace("shunt_ohm = 0.0015\n", "shunt_ohm = 0.0015\ngain_u_pct = 0.1\n", 1))
    sensor = compared.sensor("charge_a")
    assert sensor is not None
    assert 0.001 <= precision_of(sensor).gain_u < 0.0012


def test_a_chopped_current_widens() -> None:
    series = replace(PLANT, controller=replace(PLANT.controller, topology="series", dump_w=None))
    smooth, chopped = (
        Trusts(plant).at(0).energy("charge", 1440.0, hours=24.0, mean_v=13.0) for plant in (PLANT, series)
    )
    assert "charge chopped" in chopped.parts
    assert chopped.u > smooth.u
    assert "load chopped" not in smooth.parts


def test_a_sensor_that_was_changed_has_errors_of_its_own(books: Any) -> None:
    changed = parse_plant(
        f'{TEXT}\n[[change]]\non = 2026-06-03\nwhat = "a better shunt"\nbefore.sensor.charge_a.shunt_pct = 3.0\n'
    )
    fill(books, 4)
    found = of(books, changed)
    assert [round(100 * book.energy.u / 1440, 1) for book in found] == [
        1.7,
        1.7,
        0.3,
        0.3,
    ]  # 3 and 0.5 % over the root of 3
    assert "charge_a (until 2026-06-03) gain" in dict(found[0].budget)
    assert "charge_a gain" in dict(found[2].budget)
    whole = total_energy(found)
    assert whole is not None
    before, since = total_energy(found[:2]), total_energy(found[2:])
    assert before is not None
    assert since is not None
    # Two shunts: their errors meet in squares; the voltmeter is the same one.
    assert math.hypot(before.u, since.u) < whole.u < before.u + since.u
    assert [book.changes for book in found] == [(), (), ("a better shunt",), ()]
    at_noon = parse_plant(
        f'{TEXT}\n[[change]]\non = 2026-06-03T12:00:00\nwhat = "shunt"\nbefore.sensor.charge_a.shunt_pct = 3.0\n'
    )
    (day,) = [book for book in of(books, at_noon) if book.day == date(2026, 6, 3)]
    assert day.changes == ("shunt",)
    assert day.energy.u == found[0].energy.u  # the day of a change by the less sure sensor


def test_without_a_plant_nobody_can_say_how_sure(books: Any) -> None:
    fill(books, 1)
    (book,) = of(books, None)
    assert book.energy_wh == 1440.0
    assert book.energy is None
    assert total_energy([book]) is None
    shown = CliRunner().invoke(main, ["books"]).output
    assert "how sure an energy is takes a plant.toml" in shown


def test_gaps_are_listed_and_neighbours_are_one(books: Any) -> None:
    for cell in (*range(60), *range(66, 144)):
        part = 0.5 if cell == 66 else 1.0
        books.begin()
        books.add(JUNE_1 + (cell + 1) * TEN_MIN, charge_mwh=1, charge_valid_ms=int(TEN_MIN * part))
    (book,) = of(books)
    assert book.gaps == (Gap(JUNE_1 + 60 * TEN_MIN, JUNE_1 + 67 * TEN_MIN, 6 * TEN_MIN + TEN_MIN // 2),)
    assert sum(gap.missing_ms for gap in book.gaps) == round((1 - book.coverage) * 24 * HOUR)
    text = CliRunner().invoke(main, ["books", "--gaps"]).output
    assert "2026-06-01 10:00 to 2026-06-01 11:10: 65.0 min not measured" in text


def test_the_quick_road_gives_the_same_energies(books: Any) -> None:
    fill(books, 3)
    slow, quick = of(books), day_books(books.reader, books.site, PLANT, now_ms=AFTER, details=False)
    assert [book.energy for book in quick] == [book.energy for book in slow]
    assert quick[0].peak_w is None
    assert quick[0].gaps is None


def test_the_command_shows_half_of_the_interval(books: Any) -> None:
    fill(books, 2)
    path = str(demo_plant_path())
    lines = CliRunner().invoke(main, ["books", "--plant", path]).output.splitlines()
    (book, _) = of(books)
    assert f"+-{1.96 * book.energy.u:,.1f}" in lines[1]
    assert any(line.startswith("together: 2,880.000 Wh +-") for line in lines)
    told = json.loads(CliRunner().invoke(main, ["books", "--plant", path, "--json"]).output)
    first = told["days"][0]["energy"]
    assert first["low"] < first["value"] == 1440.0 < first["high"]
    assert set(told["days"][0]["budget"]) >= {"charge_a gain", "battery_v offset"}
    assert told["together"]["value"] == 2880.0


def test_records_add_up_to_the_books_and_a_difference_is_found(books: Any) -> None:
    end_ms = JUNE_1
    for number in range(120):  # of 36 minutes: some cross a midnight
        end_ms += 2_160_000
        books.add(end_ms, 2_160_000, charge_mwh=7_919 + number, charge_valid_ms=2_160_000)
    told = CliRunner().invoke(main, ["books", "--from-records"])
    assert told.exit_code == 0
    assert "add up to the books" in told.output
    with books.ledger.transaction() as db:
        db.execute(
            "UPDATE record SET body = (SELECT body FROM record AS r WHERE r.seq % 16777216 = 3) WHERE seq % 16777216 = 9"
        )
    told = CliRunner().invoke(main, ["books", "--from-records"])
    assert told.exit_code == 1
    assert "charge_mwh: the books say" in told.output
    with books.ledger.transaction() as db:
        db.execute("DELETE FROM record WHERE seq % 16777216 < 20")
    assert "days were left out" in CliRunner().invoke(main, ["books", "--from-records"]).output


def test_arithmetic_of_uncertain_values() -> None:
    one, two = Uncertain(10.0, {"a": 1.0}, 0.5), Uncertain(5.0, {"a": 1.0, "b": 2.0})
    assert (one + two).parts == {"a": 2.0, "b": 2.0}
    assert (one - two).parts == {"a": 0.0, "b": -2.0}
    assert one.times(-2).noise == 1.0
    assert total([]).u == 0.0
    assert one.plus("c", 3.0).u == pytest.approx(math.sqrt(1 + 9 + 0.25))
