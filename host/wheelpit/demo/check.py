"""Compare what the ledger booked with what the twin knows: energy, revolutions and the row of records."""

from __future__ import annotations

import json
import socket
import time
from typing import TYPE_CHECKING, Any, Final

from wheelpit.demo.run import NODE, DemoError, demo
from wheelpit.places import running
from wheelpit.plant import load_plant
from wheelpit.store.reader import LedgerReader

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from wheelpit.store.rows import RecordRow

_ALLOWED_PCT: Final = 0.5
_FIRST_RECORD_S: Final = 60.0


def ask_twin(port: int, **question: Any) -> dict[str, Any]:
    """Ask a running twin one question on its control port; raise `DemoError` with its reason if it refuses."""
    with socket.create_connection(("127.0.0.1", port), timeout=10) as link, link.makefile("rw") as lines:
        for line in ({"hello": "control"}, question):
            lines.write(json.dumps(line) + "\n")
        lines.flush()
        answer: dict[str, Any] = json.loads(lines.readline())
    if not answer.get("ok", False):
        msg = f"the twin refused {question}: {answer.get('why', answer)}"
        raise DemoError(msg)
    return answer


def missing(rows: list[RecordRow]) -> list[int]:
    """Return the seqs that are absent between the first and the last of a node's rows, boot by boot."""
    seqs = [row.seq for row in rows]
    known = set(seqs)
    boots = {seq >> 24 for seq in seqs}
    spans = [(min(own), max(own)) for boot in boots if (own := [s for s in seqs if s >> 24 == boot])]
    return [seq for first, last in spans for seq in range(first, last + 1) if seq not in known]


def check(state: Path, seconds: int, told: Callable[[], bool], say: Callable[[str], None]) -> None:
    """Run the demo for `seconds` of records and print the comparison.

    Raises `DemoError` when a record is missing or double, or energy differs by more than 0.5 %.
    """
    with demo(state, say, board=False) as it:
        twin = running(state, "twin")
        if twin is None:
            raise DemoError("the twin ended while the demo started")
        site = load_plant(state / "plant.toml").site.id
        reader = LedgerReader(state / "ledger.db")
        begin_ms = time.time_ns() // 1_000_000
        rows: list[RecordRow] = []
        said_s = time.monotonic()
        deadline = time.monotonic() + _FIRST_RECORD_S
        while not told():
            it.tend()
            time.sleep(0.5)
            rows = [r for r in reader.records(site, begin_ms, begin_ms + 10**10) if r.start_ms >= begin_ms]
            span_s = (rows[-1].end_ms - rows[0].start_ms) / 1000 if rows else 0.0
            if span_s >= seconds:
                break
            if not rows and time.monotonic() > deadline:
                msg = f"no record in {_FIRST_RECORD_S:.0f} s; look at {state / 'log'}"
                raise DemoError(msg)
            if time.monotonic() - said_s > 10:  # noqa: PLR2004 - a line every ten seconds
                said_s = time.monotonic()
                say(f"  {span_s:5.0f} of {seconds} s booked in {len(rows)} records")
        if len(rows) < 2:  # noqa: PLR2004 - a comparison needs an interval
            raise DemoError("interrupted before two records were booked")
        truth = ask_twin(int(twin["port"]), do="energy", from_ms=rows[0].start_ms, to_ms=rows[-1].end_ms)
        _report(rows, truth, say)


def _report(rows: list[RecordRow], truth: dict[str, Any], say: Callable[[str], None]) -> None:
    booked_wh = sum(row.totals["charge_mwh"] for row in rows) / 1000
    turned = sum(row.totals["wheel_mrev"] for row in rows) / 1000
    error_pct = 100 * (booked_wh / truth["charge_wh"] - 1)
    turn_pct = 100 * (turned / truth["revolutions"] - 1)
    absent, doubled = missing(rows), len(rows) - len({row.seq for row in rows})
    span_s = (rows[-1].end_ms - rows[0].start_ms) / 1000
    say(f"{len(rows)} records of node {NODE} over {span_s:.0f} s: {len(absent)} missing, {doubled} double")
    say(f"{'':14}{'ledger':>12}{'twin':>12}{'difference':>12}")
    say(f"{'energy, Wh':14}{booked_wh:12.3f}{truth['charge_wh']:12.3f}{error_pct:11.3f} %")
    say(f"{'revolutions':14}{turned:12.2f}{truth['revolutions']:12.2f}{turn_pct:11.3f} %")
    if absent or doubled:
        msg = f"records missing: {absent[:10]}; double: {doubled}"
        raise DemoError(msg)
    if abs(error_pct) > _ALLOWED_PCT:
        msg = f"the ledger's energy differs from the twin's by {error_pct:.3f} %, more than {_ALLOWED_PCT} %"
        raise DemoError(msg)
