"""Mite counts and treatments as the invented keepers noted them."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.demo.extent import stream
from pipeline.demo.history import Winter
from pipeline.demo.observing import dates, frames_of_bees, is_there
from pipeline.demo.world import World

RECOVERY = {"alcohol wash": 0.92, "sugar roll": 0.75}
"""Share of the mites on the sampled bees that a method finds; plausible, not measured."""
BOARD_MITES_PER_DAY = 0.012
"""Mites that fall a day for each mite on the bees, brood's mites included."""
COUNT_SHAPE = 10.0
"""Shape of the gamma that spreads washes of one colony; boards spread three times as much."""
BEES_PER_FRAME = 2400.0


def mite_counts(world: World, winter: Winter) -> pl.DataFrame:
    """Count mites between mid-September and mid-October, by each member's own method."""
    rng = stream(world.seed, "mite counts", winter.year)
    members, hives = world.members, world.hives
    n = len(hives)
    day = rng.integers(-18, 14, len(world.apiaries))[winter.apiary]
    autumn = winter.autumn
    load = np.exp(autumn.mite_log_load + autumn.mite_growth_per_d * day)
    method = np.array([members.mite_method[m] or "" for m in hives.member])
    is_board = method == "sticky board"
    recovery = np.array([RECOVERY.get(m, 1.0) for m in method])
    days = np.where(is_board, 3.0, np.nan)
    counts_all = rng.random(n) < 0.85
    duplicates = np.array(members.duplicates_washes)[hives.member] & (rng.random(n) < 0.4)
    frames = []
    for sample_no, done in ((1, counts_all), (2, counts_all & duplicates)):
        bees = rng.integers(270, 331, n)
        on_bees = load / 100 * frames_of_bees(winter, day) * BEES_PER_FRAME
        expected = np.where(
            is_board, BOARD_MITES_PER_DAY * on_bees * 3.0, recovery * load / 100 * bees
        )
        shape = np.where(is_board, COUNT_SHAPE / 3, COUNT_SHAPE)
        found = rng.poisson(expected * rng.gamma(shape) / shape)
        frames.append(
            pl.DataFrame(
                {
                    "member": hives.member,
                    "colony_id": winter.colony_id,
                    "sampled_on": dates(winter, day),
                    "method": method,
                    "sample_no": np.full(n, sample_no),
                    "bees_sampled": pl.Series(np.where(is_board, -1, bees)).replace(-1, None),
                    "mites_counted": np.where(is_board, found, np.minimum(found, bees)),
                    "board_days": pl.Series(days).fill_nan(None),
                }
            ).filter(pl.Series(done & (method != "") & is_there(winter, day)))
        )
    return pl.concat(frames)


def treatments(world: World, winter: Winter) -> pl.DataFrame:
    """Treatments in late summer and in the broodless time; one member in ten notes none."""
    rng = stream(world.seed, "treatments", winter.year)
    habits = stream(world.seed, "treatment habits")
    n, member = len(world.hives), world.hives.member
    notes = habits.random(world.extent.members) >= 0.1
    summer = habits.choice(["formic acid", "thymol", "amitraz"], world.extent.members)
    frames = []
    for done, day, substance, dose, unit in (
        (
            winter.autumn.is_treated,
            rng.integers(-48, -24, len(world.apiaries))[winter.apiary],
            summer[member],
            np.where(summer[member] == "amitraz", 2.0, 50.0),
            np.where(summer[member] == "amitraz", "strips", "g"),
        ),
        (
            winter.autumn.oxalic_log_effect > 0,
            winter.autumn.oxalic_day,
            np.full(n, "oxalic acid"),
            np.full(n, 2.1),
            np.full(n, "g"),
        ),
    ):
        frames.append(
            pl.DataFrame(
                {
                    "member": member,
                    "colony_id": winter.colony_id,
                    "applied_on": dates(winter, day),
                    "active_ingredient": [str(s) for s in substance],
                    "dose": dose,
                    "dose_unit": [str(u) for u in unit],
                }
            ).filter(pl.Series(done & notes[member] & is_there(winter, day)))
        )
    return pl.concat(frames)
