"""Counts behind the report: nothing lost between rows received and units analysed."""

from __future__ import annotations

import dataclasses
from dataclasses import replace
from pathlib import Path

import polars as pl
import pytest

from models.priors import Priors
from pipeline.progress import SILENT
from pipeline.runner import do_step
from pipeline.study import new_study
from reports.context import Pool, load_pool
from reports.convergence import FAILURES_SHOWN, failed_gates, gate_sentence, gate_summary
from reports.estimates import (
    blocked_subgroups,
    contrast_table,
    level_cells,
    link_table,
    other_prior_table,
    outcome_prior_table,
    populations,
    subgroup_table,
)
from reports.figures_estimates import answer_alt
from reports.sections import link_sentence, rejected_sentence
from reports.summaries import (
    OUTCOME_COLUMNS,
    apiary_cold,
    comparing_members,
    exclusions,
    flow,
    levels_by_winter,
    missing_by_level,
    mite_loads,
    mites_by_level,
    raw_by_level,
    rejections,
    winters,
)
from reports.tables import FEW
from tests.inbox import APIARIES, COLONIES, ingest, put
from tests.report_study import write_study


@pytest.fixture(scope="module")
def pool(tmp_path_factory: pytest.TempPathFactory) -> Pool:
    study = write_study(tmp_path_factory.mktemp("summaries") / "study")
    return load_pool(study)


def units(**columns: list) -> pl.DataFrame:
    """A small colony_winters with six members, one colony each, unless told otherwise."""
    rows = len(next(iter(columns.values())))
    frame = pl.DataFrame({"colony_id": [f"c{i}" for i in range(rows)], "winter": [2024] * rows})
    return frame.with_columns(
        **{name: pl.Series(values, strict=False) for name, values in columns.items()}
    )


def with_units(pool: Pool, **columns: list) -> Pool:
    changed = units(**columns)
    schema = pool.colony_winters.schema
    missing = [pl.lit(None, schema[c]).alias(c) for c in schema if c not in changed.columns]
    frame = changed.with_columns(missing).select(list(schema)).cast(dict(schema))
    return replace(pool, colony_winters=frame.with_columns(pl.col("is_disaster").fill_null(False)))


def test_every_step_of_the_flow_adds_up(pool: Pool) -> None:
    steps = {row["step"]: row for row in flow(pool).to_dicts()}
    assert steps["rows received"]["kept"] == pool.files["rows_read"].sum() == 1200
    accepted = steps["rows accepted"]
    assert accepted["kept"] + accepted["left"] == steps["rows received"]["kept"]
    in_rows, in_use = steps["records in rows"], steps["records in use"]
    assert in_rows["kept"] == pool.records["accepted"].sum()
    assert in_use["kept"] + in_use["left"] == in_rows["kept"]
    analysed = steps["colony-winters analysed"]
    assert analysed["kept"] + analysed["left"] == pool.colony_winters.height == 240
    for outcome in OUTCOME_COLUMNS:
        step = steps[f"with {outcome}"]
        assert step["kept"] + step["left"] == analysed["kept"]


def test_a_row_that_holds_two_records_is_received_once(tmp_path: Path) -> None:
    study = new_study(tmp_path / "study")
    (study.mappings_path / "diary.toml").write_text(
        '[[table]]\nfiles = "diary.csv"\n'
        '[[table.record]]\nrecord = "weighings"\n[table.record.columns]\n'
        'colony_id = "Hive"\nweighed_on = "Day"\ngross_kg = "Mass"\nmethod = "How"\n'
        '[[table.record]]\nrecord = "feedings"\n[table.record.columns]\n'
        'colony_id = "Hive"\nfed_on = "Day"\nfeed = "Feed"\nmass_kg = "Fed"\n'
    )
    day = "C1,2024-10-0{},{},scale,fondant,{}\n"
    rows = [day.format(1, 31, 2), day.format(2, 32, 1), day.format(3, 900, 1)]  # 900 kg: no hive
    diary = "Hive,Day,Mass,How,Feed,Fed\n" + "".join(rows)
    put(study, apiaries=APIARIES, colonies=COLONIES, diary=diary)
    ingest(study)
    do_step("prepare", study.path, SILENT)
    found = load_pool(study.path)
    steps = {row["step"]: (row["kept"], row["left"]) for row in flow(found).to_dicts()}
    assert steps["rows received"] == (1 + 2 + 3, 0)
    assert steps["rows accepted"] == (1 + 2 + 2, 1)
    # both records of two rows, and the feeding of the third, whose weighing was rejected
    assert steps["records in rows"] == (1 + 2 + 2 + 3, 0)
    assert steps["records in use"] == (1 + 2 + 2 + 3, 0)
    assert "6 rows" in rejected_sentence(found)
    assert "1 row was rejected" in rejected_sentence(found)


def test_reasons_account_for_everything_left_out(pool: Pool) -> None:
    found = exclusions(pool).group_by("what").agg(pl.col("n_units").sum())
    by_what = dict(found.iter_rows())
    steps = {row["step"]: row["left"] for row in flow(pool).to_dicts()}
    assert by_what["left out"] == steps["colony-winters analysed"]
    for outcome in OUTCOME_COLUMNS:
        assert by_what[f"no {outcome}"] == steps[f"with {outcome}"]


def test_reasons_of_few_members_are_told_together(pool: Pool) -> None:
    small = with_units(
        pool,
        member_id=["a", "b", "c", "d", "e", "a"],
        exclusion_reason=["x", "x", "x", "x", "x", "y"],
    )
    assert exclusions(small).filter(pl.col("what") == "left out").rows() == [
        ("left out", "x", 5),
        ("left out", "other reasons, each from few members", 1),
    ]


def test_a_row_that_breaks_two_rules_is_one_rejected_row(pool: Pool) -> None:
    assert pool.rejected_rows.height == 25
    assert pool.records["rejected"].sum() == 20
    assert dict(rejections(pool).select("rule", "n_rows").iter_rows()) == {
        "maximum 250": 20,  # a rule without words of its own is told as it is
        "empty": 5,
    }


def test_raw_means_are_counted_by_hand(pool: Pool) -> None:
    six = with_units(
        pool,
        member_id=list("abcdef"),
        level=["none"] * 6,
        is_alive=[True, True, False, False, None, True],
        is_disaster=[False, False, False, False, True, False],
        stores_use_kg=[10.0, 14.0, None, 9.0, None, None],
        spring_strength_frames=[8.0, 4.0, None, None, None, None],
    )
    [row] = raw_by_level(six).to_dicts()
    assert (row["n_units"], row["n_known"], row["n_alive"]) == (6, 5, 3)
    assert row["survival"] == pytest.approx(60.0)
    assert (row["n_stores"], row["stores_use_kg"]) == (3, pytest.approx(11.0))
    # 3 of 5 alive; the two survivors counted have 6 frames on average, the third has no count
    assert (row["n_frames"], row["frames"]) == (2, pytest.approx(0.6 * 6.0))
    cells = level_cells(six).row(0, named=True)
    assert cells["raw survival"] == "3\u00a0of\u00a05 (60\u00a0%)"
    assert cells["raw stores use"] == "11.0 (n\u00a03)"


def test_levels_of_few_members_are_hidden_everywhere(pool: Pool) -> None:
    few = with_units(
        pool,
        member_id=[*"abcdef", "a", "b"],
        level=[*["none"] * 6, "full", "full"],
        is_alive=[True] * 8,
    )
    assert raw_by_level(few)["is_hidden"].to_list() == [True, True]  # the other would follow
    assert set(level_cells(few)["raw survival"]) == {FEW}
    assert missing_by_level(few)["n_units"].to_list() == [FEW, FEW]
    assert levels_by_winter(few).row(0) == ("2024/25", FEW, FEW)
    assert "raw" not in answer_alt(few).split("Alive")[1].split("Spring")[0].split("model")[0]


def test_the_cold_of_a_winter_of_few_members_is_not_drawn(pool: Pool) -> None:
    cold = with_units(
        pool,
        member_id=[*"abcde", "a", "b"],
        apiary_id=[*"abcde", "a", "b"],
        winter=[2023] * 5 + [2024] * 2,
        cold_kd_per_day=[10.0, 11.0, 12.0, 13.0, 14.0, 9.0, 8.0],
    )
    assert apiary_cold(cold).is_empty()  # the other winter alone would be the remainder
    wide = replace(cold, colony_winters=cold.colony_winters.filter(pl.col("winter") == 2023))
    assert apiary_cold(wide)["cold"].to_list() == [10.0, 11.0, 12.0, 13.0, 14.0]


def test_gaps_are_told_with_their_share_and_disasters_of_few_as_a_word(pool: Pool) -> None:
    twelve = with_units(
        pool,
        member_id=list("abcdefabcdef"),
        level=["none"] * 6 + ["full"] * 6,
        is_alive=[None] * 6 + [True] * 6,
        is_disaster=[True] + [False] * 11,
    )
    none, full = missing_by_level(twelve).to_dicts()
    # a gap follows from the table of raw counts, so hiding it here would hide nothing
    assert (none["n_units"], none["no survival"]) == ("6", "6 (100\u00a0%)")
    assert (full["n_units"], full["no survival"]) == ("6", "0 (0\u00a0%)")
    assert (none["disasters"], full["disasters"]) == (FEW, "0")


def test_units_without_a_set_up_are_still_described(pool: Pool) -> None:
    bare = with_units(
        pool,
        member_id=list("abcdef"),
        exclusion_reason=["no set-up recorded"] * 6,
        is_alive=[True, True, True, False, True, None],
    )
    assert bare.units.is_empty()
    [row] = raw_by_level(bare).to_dicts()
    assert (row["level"], row["n_alive"], row["n_known"]) == ("not recorded", 4, 5)
    [winter] = winters(bare).to_dicts()
    assert (winter["n_alive"], winter["n_known"]) == (4, 5)


def test_members_who_compare_are_those_with_two_levels(pool: Pool) -> None:
    some = with_units(
        pool, member_id=["a", "a", "b", "b", "c"], level=["none", "full", "top", "top", None]
    )
    assert comparing_members(some) == 1


def test_estimates_are_told_with_words_or_with_the_reason(pool: Pool) -> None:
    table = contrast_table(pool, "stores use")
    row = table.filter(
        (pl.col("contrast") == "full vs none") & (pl.col("horizon") == "these winters")
    ).row(0, named=True)
    assert row["difference"] == "+3.0 kg (+1.9\u00a0to\u00a0+4.1)"
    assert row["relative"].startswith("+20 % (")
    assert row["words"] == "very likely better"
    blocked = pool.estimands.with_columns(
        status=pl.lit("cannot be estimated"), reason=pl.lit("Nobody used both.")
    )
    words = contrast_table(replace(pool, estimands=blocked), "stores use")["words"].unique()
    assert words.to_list() == ["cannot be estimated from these records, because nobody used both"]


def test_model_means_are_shown_only_where_an_estimate_rests_on_them(tmp_path: Path) -> None:
    study = write_study(tmp_path / "study", members=6)
    path = study / "results" / "estimands.csv"
    blocked = pl.read_csv(path).with_columns(
        status=pl.when(
            (pl.col("outcome") == "survival")
            | ((pl.col("outcome") == "stores use") & (pl.col("contrast") == "full vs none"))
        )
        .then(pl.lit("not converged"))
        .otherwise("status")
    )
    blocked.write_csv(path)
    means = load_pool(study).level_means.drop_nulls("mean")
    every = ("none", "top", "partial", "full")
    assert means.select("outcome", "level").rows() == [
        *(("stores use", level) for level in ("none", "top", "partial")),
        *(("spring strength", level) for level in every),
        *(("spring strength among survivors", level) for level in every),
    ]


def test_links_of_few_members_are_a_word(pool: Pool) -> None:
    links = pool.links.with_columns(linking_members=pl.lit(2), linking_apiaries=pl.lit(0))
    table = link_table(replace(pool, links=links))
    assert set(table["members"]) == {FEW}
    assert set(table["apiaries"]) == {"0"}


def test_each_pair_of_levels_is_one_line_that_tells_all_outcomes(pool: Pool) -> None:
    is_cut = (pl.col("outcome") == "survival") & (pl.col("level_a") == "none")
    links = pool.links.with_columns(is_linked=pl.col("is_linked") & ~is_cut)
    table = link_table(replace(pool, links=links))
    assert table["pair"].to_list() == [
        "none and top",
        "none and partial",
        "none and full",
        "top and partial",
        "top and full",
        "partial and full",
    ]
    assert table["survival"].to_list() == ["no"] * 3 + ["yes"] * 3
    assert set(table["stores use"]) == {"yes"}
    assert (
        link_sentence(pool)
        == "6 of 6 pairs of levels are linked by at least 3 members or apiaries."
    )


def test_parts_without_a_number_are_told_once_with_their_reason(pool: Pool) -> None:
    is_blocked = (pl.col("outcome") == "survival") & (pl.col("subgroup") != "all")
    cut = pool.estimands.with_columns(
        status=pl.when(is_blocked).then(pl.lit("cannot be estimated")).otherwise("status"),
        reason=pl.when(is_blocked).then(pl.lit("too few.")).otherwise("reason"),
    )
    some = replace(pool, estimands=cut)
    assert blocked_subgroups(some) == [
        "Survival, top vs none; survival, partial vs none; survival, full vs none: cannot be "
        "estimated from these records, because too few."
    ]
    assert set(subgroup_table(some)["outcome"]) == {"stores use", "spring strength"}
    assert blocked_subgroups(pool) == []


def test_each_population_is_told_once_with_its_contrasts(pool: Pool) -> None:
    [row] = populations(pool).to_dicts()
    assert row["contrast"] == "top vs none; partial vs none; full vs none"


def test_a_mite_load_is_the_mean_of_a_colony_winters_counts(pool: Pool) -> None:
    six = with_units(
        pool, member_id=list("abcdef"), level=["none"] * 6, mite_counts_used=[2, 1, 0, 0, 0, 1]
    )
    counts = pl.DataFrame(
        {
            "colony_id": ["c0", "c0", "c1", "c5"],
            "winter": [2024] * 4,
            "method": ["alcohol wash", "sugar roll", "alcohol wash", "sticky board"],
            "mites_per_100_bees": [1.0, 3.0, 5.0, None],
        }
    )
    some = replace(
        six,
        mite_samples=counts,
        settings=replace(six.settings, report=replace(six.settings.report, minimum_cell=1)),
    )
    assert sorted(mite_loads(some)["load"].to_list()) == [2.0, 5.0]
    [row] = mites_by_level(some).to_dicts()
    assert (row["n_sampled"], row["n_loads"], row["median_load"]) == (3, 2, pytest.approx(3.5))


def test_failed_gates_are_counted(pool: Pool) -> None:
    assert gate_sentence(pool) == "All 3 checks of the sampler were passed."
    failed = replace(pool, gates=pool.gates.with_columns(passed=pl.lit(False)))
    assert gate_sentence(failed).startswith("3 of 3 checks of the sampler failed")


def test_gates_are_summed_up_by_their_worst_and_failures_are_listed(pool: Pool) -> None:
    def gate(quantity: str, is_headline: bool, r_hat: float | None, passed: bool) -> dict:
        ess = None if r_hat is None else 1000.0 / r_hat
        limit = "R-hat < 1.01" if is_headline else "R-hat < 1.05"
        return {
            "quantity": quantity,
            "is_headline": is_headline,
            "r_hat": r_hat,
            "ess_bulk": ess,
            "ess_tail": ess,
            "passed": passed,
            "threshold": limit if r_hat else "none",
        }

    gates = pl.DataFrame(
        [
            gate("divergences: 0", True, None, True),
            gate("survival | top vs none | difference | all | these winters", True, 1.001, True),
            gate("survival | full vs none | difference | all | these winters", True, 1.02, False),
            gate("coefficient[survival, intercept]", True, 1.003, True),
            *(gate(f"covariate_z[{k}]", False, 1.06, False) for k in range(FAILURES_SHOWN)),
            gate("covariate_z[last]", False, 1.0, True),
        ],
        schema=pool.gates.schema,
    )
    some = replace(pool, gates=gates)
    told = gate_summary(some).select("quantity", "n", "r_hat", "verdict").rows()
    assert told == [
        ("divergences: 0", 1, None, "passed"),
        ("estimates of survival", 2, 1.02, "1 failed"),
        ("what the estimates rest on", 1, 1.003, "passed"),
        ("all other parameters", FAILURES_SHOWN + 1, 1.06, f"{FAILURES_SHOWN} failed"),
    ]
    assert gate_summary(some)["ess_bulk"][1] == pytest.approx(1000 / 1.02)
    listed = failed_gates(some)
    assert listed.height == FAILURES_SHOWN
    assert listed["quantity"][0].startswith("survival | full")


def test_the_table_of_priors_shows_every_prior_of_the_model() -> None:
    table, others = outcome_prior_table(), other_prior_table()
    priors = Priors()
    step = table.row(by_predicate=pl.col("prior") == "level step sd", named=True)
    assert step["survival"] == str(priors.outcomes["survival"].level_step_sd)
    assert step["stores use"] == str(priors.outcomes["stores use"].level_step_sd)
    assert table.height == len(dataclasses.fields(priors.outcomes["survival"]))
    assert {"mites", "ledger", "spring count", "joint"} == set(others["part"])
