"""Contract: which calibration was in use when; two of them compared."""

from __future__ import annotations

import asyncio
import math
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import aiohttp
import pytest

from contract.meter_studio import rig_of
from fillside.belief.evidence import time_of
from fillside.belief.result.comparing import difference
from fillside.daemon.composition import Running, Settings, daemon
from fillside.demo.play import demo_studio
from fillside.doors.http.listening import Listen
from fillside.rig.calibration import Calibration
from fillside.storage.records import metering as kept
from fillside.storage.rows import calibration_row
from fillside.storage.store import Store


class Clocked:
    """A store in memory whose time of day a test sets."""

    def __init__(self) -> None:
        self.now = 1000.0
        self.store = Store.in_memory()
        self.store.unix_clock = lambda: self.now  # type: ignore[method-assign]

    def make(self, at: float) -> int:
        self.now = at
        return kept.save_calibration(self.store, {}, (), {}).result(10)

    def use(self, number: int | None, at: float) -> bool:
        self.now = at
        return kept.use_calibration(self.store, number).result(10)

    def at(self, at: float) -> int | None:
        found = kept.calibration_at(self.store, at)
        return None if found is None else found.id


@pytest.fixture
def clocked() -> Any:
    made = Clocked()
    yield made
    made.store.close()


def test_the_one_in_use_then_is_found_also_after_going_back(clocked: Clocked) -> None:
    assert clocked.at(1e9) is None
    first, second = clocked.make(1000.0), clocked.make(2000.0)
    clocked.use(first, 3000.0)
    clocked.use(None, 4000.0)
    third = clocked.make(5000.0)
    found = [clocked.at(t) for t in (999.0, 1000.0, 1999.0, 2000.0, 2999.9, 3000.0, 4000.0, 4999.0, 5000.0)]
    assert found == [None, first, first, second, second, first, None, None, third]
    assert clocked.at(1e9) == third


def test_one_refused_too_late_was_not_in_use_for_long(clocked: Clocked) -> None:
    first = clocked.make(1000.0)
    clocked.make(2000.0)
    clocked.now = 2001.0
    kept.revert_use(clocked.store, first).result(10)
    assert [clocked.at(t) for t in (1500.0, 2000.5, 2001.0)] == [first, 2, first]
    current = kept.current_calibration(clocked.store)
    assert current is not None
    assert current.id == first


def test_of_before_it_was_kept_the_newest_made_by_then_counts(clocked: Clocked) -> None:
    for at in (1000.0, 2000.0):
        clocked.make(at)
    clocked.store.write(lambda c: c.execute("UPDATE calibration SET spans = '[]'")).result(10)
    assert [clocked.at(t) for t in (999.0, 1500.0, 2500.0)] == [None, 1, 2]
    clocked.make(3000.0)
    assert [clocked.at(t) for t in (1500.0, 2500.0, 3000.0)] == [1, 2, 3]
    clocked.use(None, 4000.0)
    assert clocked.at(4500.0) is None


def test_going_to_and_fro_keeps_few_spans(clocked: Clocked) -> None:
    first = clocked.make(1000.0)
    for i in range(kept.MOST_SPANS + 20):
        clocked.use(None, 2000.0 + 2 * i)
        clocked.use(first, 2001.0 + 2 * i)
    (row,) = clocked.store.rows("calibration")
    assert len(row[6]) == kept.MOST_SPANS
    assert row[6][-1][1] == math.inf
    assert clocked.at(1e6) == first


@pytest.mark.parametrize("spans", ["x", "7", "[7]", "[[1]]", '[["a", null]]', "[[-1, 2]]", "[[1e400, null]]"])
def test_spans_of_any_other_kind_are_passed_over(spans: str, clocked: Clocked) -> None:
    clocked.make(1000.0)
    clocked.store.write(lambda c: c.execute("UPDATE calibration SET spans = ?", (spans,))).result(10)
    assert clocked.at(500.0) is None
    with pytest.raises(ValueError, match="spans"):
        calibration_row((1, 1.0, "{}", "[]", "{}", 0, spans))


def calibration(cd: float, sigma: float) -> Calibration:
    figures = {"intensity_cd": cd, "sigma_stops": sigma, "sigma_full_stops": sigma, "room": {"mean": 0.0}}
    return Calibration.model_validate({"heads": {"key": figures}, "ambient": {"toward_key": 5.0}})


def test_heads_differ_by_stops_with_the_uncertainty_of_both() -> None:
    rig = rig_of()
    found = difference(rig, calibration(1000.0, 0.3), calibration(2000.0, 0.4))
    key = found.heads["key"]
    assert key.at_marks == pytest.approx(dict.fromkeys(rig.marks, 1.0), abs=1e-3)
    assert key.sigma_stops == pytest.approx(0.5)
    assert found.heads["fill"].at_marks == dict.fromkeys(rig.marks, 0.0)
    assert found.heads["fill"].sigma_stops is None
    assert [own[0] for own in found.ambient] == [5.0, 5.0]
    assert difference(rig, None, calibration(3600.0, 0.3)).heads["key"].sigma_stops is None


@pytest.fixture
async def up(tmp_path: Path) -> AsyncIterator[Running]:
    async with daemon(demo_studio(), Settings(tmp_path, tmp_path / "tokens.json", Listen(port=0))) as running:
        yield running


async def get(up: Running, path: str) -> tuple[int, Any]:
    async with aiohttp.ClientSession() as session, session.get(f"{up.url}{path}") as response:
        return response.status, await response.json()


async def test_by_http(up: Running) -> None:
    bodies = [calibration(cd, 0.2).model_dump(mode="json") for cd in (1000.0, 1500.0)]
    for body in bodies:
        await asyncio.wrap_future(kept.save_calibration(up.store, {}, (), body))
    made = kept.calibrations(up.store)[0].at + 1.0
    status, found = await get(up, f"/api/v1/calibrations?at={time_of(made)}")
    assert (status, [one["id"] for one in found["calibrations"]]) == (200, [2])
    assert (await get(up, "/api/v1/calibrations?at=1999-01-01"))[1] == {"calibrations": []}
    status, found = await get(up, f"/api/v1/comparison?one=1&other={time_of(made)}")
    assert status == 200
    assert (found["one"]["id"], found["other"]["id"]) == (1, 2)
    assert set(found["heads"]["key"]["at_marks"].values()) == {round(math.log2(1.5), 4)}
    status, found = await get(up, "/api/v1/comparison?one=none&other=2")
    assert (status, found["one"]) == (200, None)


@pytest.mark.parametrize(
    ("path", "status", "says"),
    [
        ("calibrations?at=yesterday", 400, "date and time"),
        ("calibrations?at=", 400, "date and time"),
        ("calibrations?at=nan", 400, "date and time"),
        ("comparison?one=1", 400, "give other"),
        ("comparison?one=1&other=x", 400, "date and time"),
        ("comparison?one=1&other=-3", 400, "date and time"),
        ("comparison?one=none&other=77", 404, "no calibration 77"),
        ("comparison?one=none&other=1999-01-01", 404, "in use then"),
    ],
)
async def test_what_cannot_be_asked_is_answered_in_one_line(
    path: str, status: int, says: str, up: Running
) -> None:
    answered, found = await get(up, f"/api/v1/{path}")
    assert answered == status, found
    assert says in found["error"]["message"]
    assert "\n" not in found["error"]["message"]
