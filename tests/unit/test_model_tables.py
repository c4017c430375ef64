"""What stands beside the estimates: whom they are about, and what was recorded at each level."""

from __future__ import annotations

import polars as pl
import pytest

from models.data import pack_pool
from models.simulate import Scenario, simulate_pool
from models.tables import describe_population, raw_mean
from models.vocabulary import ONLY_LIVING, STORES, STRENGTH, SURVIVAL
from pipeline.settings import Settings

MADE = simulate_pool(Scenario(n_members=4, colonies_per_apiary=3, n_winters=1), 5)


def pool_of(rows: list[dict]):
    """Pack hand-written units: level, is_alive, stores_use_kg, spring_strength_frames, winter."""
    schema = MADE.colony_winters.schema
    fixed = {"apiary_id": "A", "member_id": "M", "winter": 2022, "is_disaster": False}
    fixed |= {"window_days": 177.0, "stores_method_sd_kg": 1.0}
    units = [{"colony_id": f"c{i:04d}", **fixed, **row} for i, row in enumerate(rows)]
    full = [{name: unit.get(name) for name in schema} for unit in units]
    table = pl.DataFrame(full, schema=schema, orient="row")
    return pack_pool(table, MADE.mite_samples.clear(), Settings())


def population(pool, outcome: str) -> str:
    return describe_population(pool, Settings(), outcome, "full vs none", "all", "these winters")


ALIVE = {"level": "none", "is_alive": True, "stores_use_kg": 10.0, "spring_strength_frames": 8.0}
DEAD = {"level": "none", "is_alive": False}


def test_stores_measured_only_on_the_living_are_called_so():
    assert ONLY_LIVING in population(pool_of([ALIVE, ALIVE, DEAD]), STORES)
    # a colony that died later still tells what it ate until its last weighing
    weighed = pool_of([ALIVE, ALIVE, DEAD | {"stores_use_kg": 9.0}])
    assert ONLY_LIVING not in population(weighed, STORES)
    assert ONLY_LIVING not in population(pool_of([ALIVE, ALIVE]), STORES)  # nobody died
    assert "stores" not in population(pool_of([ALIVE, DEAD]), SURVIVAL)


def test_winters_and_thousands_are_written_as_in_the_report():
    one = pool_of([ALIVE] * 1200)
    assert population(one, SURVIVAL).startswith(
        "All 1\u202f200 colony-winters analysed (winter 2022/23), each with its own cold"
    )
    both = pool_of([ALIVE, ALIVE | {"winter": 2023}])
    assert "(winters 2022/23 and 2023/24)" in population(both, SURVIVAL)
    three = pool_of([ALIVE | {"winter": w} for w in (1998, 1999, 2000)])
    assert "(winters 1998/99 to 2000/01)" in population(three, SURVIVAL)
    assert population(pool_of([ALIVE | {"exclusion_reason": "moved away"}]), STORES) == ""


def test_raw_frames_are_the_share_alive_times_the_mean_of_the_survivors_counted():
    uncounted = ALIVE | {"spring_strength_frames": None}
    pool = pool_of([ALIVE, ALIVE | {"spring_strength_frames": 4.0}, uncounted, DEAD, DEAD])
    # 3 of 5 alive; the two survivors counted have 6 frames on average
    assert raw_mean(pool, STRENGTH, "none") == (2, pytest.approx(0.6 * 6.0))
    assert raw_mean(pool, "spring strength among survivors", "none") == (2, 6.0)
    assert raw_mean(pool, SURVIVAL, "none") == (5, pytest.approx(60.0))
    assert raw_mean(pool, STORES, "none") == (3, 10.0)
    assert raw_mean(pool, STORES, "full") == (0, None)
