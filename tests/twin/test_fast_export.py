"""Files of records and truth: what is written is what is read, and a half one never lies there."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import numpy as np
import pytest

from wheelpit.plant import demo_plant_path, load_plant
from wheelpit.twin.fast.export import ExportError, opened, table_of
from wheelpit.twin.fast.years import Year

if TYPE_CHECKING:
    from pathlib import Path

    from wheelpit.twin.fast.records import RecordColumns

DEMO = load_plant(demo_plant_path())
FAULTS = ("jam", "belt-slip")


@pytest.fixture(scope="module")
def parts() -> list[RecordColumns]:
    # Over the end of a month, and of a jam: two parts.
    import datetime as dt  # noqa: PLC0415

    return list(Year(DEMO, days=2, first_day=dt.date(2025, 4, 30)).records())


def test_parquet_holds_every_column(tmp_path: Path, parts: list[RecordColumns]) -> None:
    parquet = pytest.importorskip("pyarrow.parquet")
    with opened(tmp_path / "year.parquet", FAULTS) as out:
        for part in parts:
            out.add(part)
    table = parquet.read_table(tmp_path / "year.parquet")
    assert table.num_rows == sum(part.size for part in parts)
    expected = [table_of(part, FAULTS) for part in parts]
    assert table.column_names == list(expected[0])
    assert [path.name for path in tmp_path.iterdir()] == ["year.parquet"]
    for name in ("end_ms", "total.charge_mwh", "wheel_rpm.mean", "truth.charge_w", "true.battery_v"):
        joined = np.concatenate([told[name] for told in expected])
        assert np.array_equal(table[name].to_numpy(), joined), name
    assert set(table["state"].to_pylist()) <= {"turning", "slow", "stopped"}
    assert set(table["charge_a.fault"].to_pylist()) == {""}


def test_numpy_s_archive_holds_every_part(tmp_path: Path, parts: list[RecordColumns]) -> None:
    with opened(tmp_path / "year.npz", FAULTS) as out:
        for part in parts:
            out.add(part)
    with np.load(tmp_path / "year.npz") as archive:
        for number, part in enumerate(parts, 1):
            for name, column in table_of(part, FAULTS).items():
                assert np.array_equal(archive[f"{number:04}/{name}"], column, equal_nan=True), name
    assert [path.name for path in tmp_path.iterdir()] == ["year.npz"]


def test_severities_stand_where_the_faults_are() -> None:
    import datetime as dt  # noqa: PLC0415

    (part,) = Year(DEMO, days=1, first_day=dt.date(2025, 7, 3)).records()
    severity = table_of(part, FAULTS)["fault.jam"]
    assert severity.sum() == pytest.approx(6.7 * 360, abs=2)
    assert set(severity) == {0.0, 1.0}


@pytest.mark.parametrize("name", ["year.csv", "year"])
def test_another_form_is_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(ExportError, match="parquet"), opened(tmp_path / name):
        pass


def test_a_file_that_exists_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "year.npz").write_text("mine")
    with pytest.raises(ExportError, match="exists already"), opened(tmp_path / "year.npz"):
        pass
    assert (tmp_path / "year.npz").read_text() == "mine"


def test_a_failure_half_way_leaves_nothing(tmp_path: Path, parts: list[RecordColumns]) -> None:
    with pytest.raises(RuntimeError), opened(tmp_path / "year.npz") as out:  # noqa: PT012 - the failure is the test's
        out.add(parts[0])
        raise RuntimeError
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(ExportError, match="cannot be written"), opened(tmp_path / "none" / "year.npz"):
        pass


def test_without_pyarrow_the_other_form_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    with pytest.raises(ExportError, match=r"\*\.npz"), opened(tmp_path / "year.parquet"):
        pass
