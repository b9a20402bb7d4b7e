"""Records and truth into a file, a part at a time: Parquet for other programs, or an archive of numpy arrays.

One column each for the record's times, state, statistics and totals, then the truth: `true.<channel>` is what a sensor
without error would show, `truth.<name>` a flow [L/s], a power [W] or the state of charge, `fault.<name>` a severity.
"""

from __future__ import annotations

import importlib
import zipfile
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Final, Protocol, Self

import numpy as np

from wheelpit.twin.fast.records import FAULTS, STATES
from wheelpit.twin.trouble import TwinError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from numpy.typing import NDArray

    from wheelpit.twin.fast.records import RecordColumns

SUFFIXES: Final = (".parquet", ".npz")
_WORDS: Final = {"state": STATES, "fault": ("", *FAULTS)}


class ExportError(TwinError):
    """A file that cannot be written."""


class Out(Protocol):
    """Where records go."""

    def add(self, columns: RecordColumns) -> None:
        """Write so many more."""
        ...


def table_of(columns: RecordColumns, faults: tuple[str, ...] = ()) -> dict[str, NDArray[Any]]:
    """Return records and truth as flat columns, by the names that the file has.

    Args:
        columns: The records.
        faults: What may be out of order; each gets a column of its severity.
    """
    table: dict[str, NDArray[Any]] = {
        "end_ms": columns.end_ms,
        "up_ms": columns.up_ms,
        "boot": np.full(columns.size, columns.boot, np.int16),
        "n": np.arange(columns.first_n, columns.first_n + columns.size, dtype=np.int32),
        "state": columns.state,
    }
    for name in columns.mean:
        table[f"{name}.mean"] = columns.mean[name].astype(np.float32)
        table[f"{name}.min"] = columns.least[name].astype(np.float32)
        table[f"{name}.max"] = columns.most[name].astype(np.float32)
        table[f"{name}.fault"] = columns.fault.get(name, np.zeros(columns.size, np.int8))
    table |= {f"total.{name}": column for name, column in columns.total.items()}
    table |= {f"true.{name}": column.astype(np.float32) for name, column in columns.true.items()}
    table |= {f"truth.{name}": column.astype(np.float32) for name, column in columns.truth.items()}
    for name in faults:
        severity = table[f"fault.{name}"] = np.zeros(columns.size, np.float32)
        for place, present in columns.present:
            severity[place] = present.get(name, 0.0)
    return table


@contextmanager
def opened(path: Path, faults: tuple[str, ...] = ()) -> Iterator[Out]:
    """Open a file to write records into; its name's end tells the form.

    Args:
        path: The file; it must not exist yet.
        faults: What may be out of order; each gets a column of its severity.

    Raises:
        ExportError: The name ends otherwise, the file exists, or what writes that form is not installed.
    """
    if path.suffix not in SUFFIXES:
        msg = f"{path}: name it {' or '.join('*' + suffix for suffix in SUFFIXES)}"
        raise ExportError(msg)
    if path.exists():
        msg = f"{path} exists already; give another name, or remove it"
        raise ExportError(msg)
    unfinished = path.with_name(f".{path.name}.unfinished")
    try:
        if path.suffix == ".npz":
            with zipfile.ZipFile(unfinished, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
                yield _Arrays(archive, faults)
        else:
            with _Parquet(unfinished, faults) as out:
                yield out
        unfinished.replace(path)
    except OSError as error:
        msg = f"{path} cannot be written: {error}"
        raise ExportError(msg) from error
    finally:
        unfinished.unlink(missing_ok=True)


class _Arrays:
    """One array a column and part: `numpy.load(file)["0001/battery_v.mean"]`."""

    def __init__(self, archive: zipfile.ZipFile, faults: tuple[str, ...]) -> None:
        self._archive = archive
        self._faults = faults
        self._parts = 0

    def add(self, columns: RecordColumns) -> None:
        self._parts += 1
        for name, column in table_of(columns, self._faults).items():
            with self._archive.open(f"{self._parts:04}/{name}.npy", "w", force_zip64=True) as file:
                np.lib.format.write_array(file, column)


class _Parquet:
    """A row group a part; states and faults as words."""

    def __init__(self, path: Path, faults: tuple[str, ...]) -> None:
        try:
            # It comes with the board's library; the service, which never loads it, may do without.
            self._arrow: Any = importlib.import_module("pyarrow")
            self._parquet: Any = importlib.import_module("pyarrow.parquet")
        except ImportError as error:
            msg = (
                f"{path}: pyarrow is not installed, which writes Parquet; install it, or name the file *.npz"
            )
            raise ExportError(msg) from error
        self._path = path
        self._faults = faults
        self._writer: Any = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if self._writer is not None:
            self._writer.close()

    def add(self, columns: RecordColumns) -> None:
        arrow = self._arrow
        arrays = {
            name: self._words(column, _WORDS[kind])
            if (kind := name.rpartition(".")[2]) in _WORDS and column.dtype == np.int8
            else arrow.array(column)
            for name, column in table_of(columns, self._faults).items()
        }
        table = arrow.table(arrays)
        if self._writer is None:
            self._writer = self._parquet.ParquetWriter(self._path, table.schema, compression="zstd")
        self._writer.write_table(table)

    def _words(self, column: NDArray[np.int8], words: tuple[str, ...]) -> Any:
        return self._arrow.DictionaryArray.from_arrays(column, list(words))
