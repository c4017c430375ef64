"""The payoff of a study: kept while current, made anew when not, refused in words; its page."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import polars as pl
import pytest
from matplotlib.figure import Figure

from models.payoff.quantities import SCHEMA
from models.payoff.results import SCHEMAS
from pipeline import payoff_step, runner
from pipeline.cli_payoff import payoff, print_payoff
from pipeline.errors import NotConvergedError, ReadError, RejectedRows, StudyError
from pipeline.payoff_step import DRAWS, RUN, payoff_study, read_prices, refresh_payoff
from pipeline.progress import SILENT
from pipeline.settings import Settings, read_settings
from pipeline.store import Store
from pipeline.study import Study
from reports import figures_payoff
from reports.context import Pool, load_pool
from reports.payoff_page import load_payoff, main_level, payoff_sentences, reasons, turn_sentence
from reports.payoff_tables import (
    input_cells,
    knowledge_cells,
    part_cells,
    payoff_cells,
    recorded_costs,
    turn_cells,
)
from tests.payoff_inputs import AMOUNTS, normal_draws, price_rows
from tests.report_study import write_study

MEANS = {
    "top": (0.5, 0.01, 0.1),
    "partial": (2.0, 0.05, 0.7),
    "full": (3.0, 0.08, 1.2),
    "full closed": (3.2, 0.07, 1.1),
}
RANGES = {"stores per kg": (5.0, 11.0), "replacement colony": (100.0, 220.0)}


def put_prices(path: Path, prices: pl.DataFrame) -> None:
    """Put prices into the store of a study, in place of those that are there."""
    with Store.open(path / "store.duckdb") as store:
        store.connection.execute("DELETE FROM prices_rows")
        store.connection.register("incoming", prices)
        store.connection.execute(
            "INSERT INTO prices_rows BY NAME SELECT *, 'a' AS _file_sha256, 1 AS _file_no, "
            "'' AS _sheet, 2 AS _row, now() AS _ingested_at, false AS _is_superseded FROM incoming"
        )


def note_run(path: Path, *, has_converged: bool = True, sha256: str = "a") -> None:
    run = {"has_converged": has_converged, "attempts": [1, 2], "n_units": 240}
    run["sha256"] = {"settings": sha256}
    (path / "results" / "run.json").write_text(json.dumps(run), encoding="utf-8")


@pytest.fixture(scope="module")
def fitted(tmp_path_factory) -> Path:
    path = write_study(tmp_path_factory.mktemp("payoff") / "study")
    put_prices(path, price_rows(ranges=RANGES))
    table = path / "results" / "estimands.csv"
    rows = pl.read_csv(table, infer_schema_length=None).filter(
        pl.col("contrast") != "full closed vs none"
    )
    closed = rows.filter(contrast="full vs none").with_columns(
        contrast=pl.lit("full closed vs none")
    )
    pl.concat([rows, closed]).write_csv(table)
    note_run(path)
    return path


@pytest.fixture
def made(monkeypatch) -> list[int]:
    """How often draws were made; the made-up fit counts as current."""
    times: list[int] = []

    def fake(*_):
        times.append(1)
        thirds = [
            normal_draws(MEANS, n=200, sd=0.2)
            .filter(horizon="these winters")
            .with_columns(subgroup=pl.lit(f"cold: {third} third"))
            for third in ("mild", "hard")
        ]
        return pl.concat([normal_draws(MEANS, n=200, sd=0.2), *thirds]), 4000

    monkeypatch.setattr(runner, "is_current", lambda *_: True)
    monkeypatch.setattr(payoff_step, "_make_draws", fake)
    return times


@pytest.fixture
def path(fitted, tmp_path, made) -> Path:
    shutil.copytree(fitted, tmp_path / "study")
    return tmp_path / "study"


@pytest.fixture
def pool(path) -> Pool:
    return load_pool(path)


def test_all_tables_are_written_with_their_columns(path):
    reckoned = payoff_study(path, SILENT)
    assert reckoned.is_new
    for name, schema in SCHEMAS.items():
        table = pl.read_csv(path / "results" / f"{name}.csv", schema_overrides=schema)
        assert table.schema == pl.Schema(schema), name
        assert table.equals(reckoned.payoff.tables[name]), name
    assert pl.read_parquet(path / "results" / DRAWS).schema == pl.Schema(SCHEMA)
    run = json.loads((path / "results" / RUN).read_text())
    assert (run["currency"], run["draws"], run["posterior_draws"]) == ("XTS", 200, 4000)
    statuses = reckoned.payoff.tables["payoff"].select("subgroup", "status").unique().rows()
    assert ("cold: middle third", "cannot be estimated") in statuses  # no row of the estimands
    assert ("all", "estimated") in statuses


def test_what_is_current_is_not_made_again(path, made):
    payoff_study(path, SILENT)
    again = payoff_study(path, SILENT)
    assert not again.is_new
    assert len(made) == 1
    before = again.payoff.tables["payoff"]
    put_prices(path, price_rows(AMOUNTS | {"insulation full": 60.0}, RANGES))
    dearer = payoff_study(path, SILENT)
    assert dearer.is_new
    assert len(made) == 1  # the posterior is not read for other prices
    assert (dearer.payoff.tables["payoff"]["mean"] <= before["mean"]).drop_nulls().all()
    note_run(path, sha256="b")
    assert payoff_study(path, SILENT).is_new
    assert len(made) == 2


def test_a_changed_lifetime_is_noticed(path):
    first = payoff_study(path, SILENT)
    text = (path / "study.toml").read_text(encoding="utf-8")
    changed = re.sub(r"(?m)^(# )?feed_share = 0.5$", "feed_share = 0.4", text)
    assert changed != text
    (path / "study.toml").write_text(changed, encoding="utf-8")
    second = payoff_study(path, SILENT)
    assert second.is_new
    assert second.run["fingerprint"] != first.run["fingerprint"]
    source = second.payoff.tables["payoff_inputs"].filter(pl.col("input").str.contains("spares"))
    assert source["source"].item() == "study.toml"


def test_own_prices_leave_the_studys_results_alone(path, tmp_path):
    payoff_study(path, SILENT)
    kept = (path / "results" / RUN).read_text()
    own = tmp_path / "mine.csv"
    price_rows({"insulation full": 500.0}).write_csv(own)
    dear = payoff_study(path, SILENT, own, tmp_path / "mine")
    row = dear.payoff.tables["payoff"].filter(level="full", subgroup="all").row(0, named=True)
    assert row["p_never"] == 1.0
    assert (path / "results" / RUN).read_text() == kept
    assert sorted(p.name for p in (tmp_path / "mine").iterdir()) == sorted(
        [RUN, *(f"{name}.csv" for name in SCHEMAS)]
    )
    sources = dict(dear.payoff.tables["payoff_inputs"].select("input", "source").iter_rows())
    assert sources["insulation full"] == "own price, 2024/25"
    assert sources["work per hour"] == "price of the study, 2024/25"


@pytest.mark.parametrize(
    ("lines", "error", "words"),
    [
        ("stores per kg,2024,7,8,9,XTS", RejectedRows, "breaks the rule “at_most”"),
        ("stores per kg,2024,7,6,,XTS", RejectedRows, "breaks the rule “required_with”"),
        ("stores per kg,2024,7,,6,XTS", RejectedRows, "row 2"),
        ("stores,2024,7,,,XTS", RejectedRows, "breaks the rule “enum”"),
        ("stores per kg,2024,-7,,,XTS", RejectedRows, "breaks the rule “minimum”"),
        ("", ReadError, "holds no prices"),
    ],
)
def test_own_prices_keep_the_contract(tmp_path, lines, error, words):
    file = tmp_path / "mine.csv"
    file.write_text(f"item,winter,amount,amount_low,amount_high,currency\n{lines}\n")
    with pytest.raises(error) as caught:
        read_prices(file, Settings())
    assert "mine.csv" in caught.value.problem
    assert words in caught.value.problem
    assert caught.value.mend.endswith(".")


def test_a_file_that_is_not_there_or_not_a_table_of_prices_is_told(tmp_path):
    with pytest.raises(ReadError):
        read_prices(tmp_path / "none.csv", Settings())
    other = tmp_path / "other.csv"
    other.write_text("a,b\n1,2\n")
    with pytest.raises(ReadError) as caught:
        read_prices(other, Settings())
    assert "other.csv" in caught.value.problem


def test_prices_from_a_file_are_those_of_the_record(tmp_path):
    file = tmp_path / "mine.csv"
    price_rows(ranges=RANGES).write_csv(file)
    assert read_prices(file, Settings()).sort("item").equals(price_rows(ranges=RANGES).sort("item"))


def test_without_prices_the_command_and_the_page_say_what_to_send(path, pool, made):
    put_prices(path, price_rows({}))
    with pytest.raises(StudyError) as caught:
        payoff_study(path, SILENT)
    assert "No prices have been given" in caught.value.problem
    assert caught.value.exit_code == 3
    found = load_payoff(pool)
    assert found.reckoned is None
    assert "prices\\.csv" in found.why_not
    assert not made


def test_a_fit_that_did_not_converge_gives_no_money(path, pool, made):
    note_run(path, has_converged=False)
    with pytest.raises(NotConvergedError):
        payoff_study(path, SILENT)
    assert "did not converge" in load_payoff(pool).why_not
    assert not made


def test_no_fit_and_an_old_fit_are_told_apart(path, monkeypatch):
    monkeypatch.setattr(runner, "is_current", lambda *_: False)
    with pytest.raises(StudyError) as caught:
        payoff_study(path, SILENT)
    assert "out of date" in caught.value.problem
    (path / "results" / "run.json").unlink()
    with pytest.raises(StudyError) as caught:
        payoff_study(path, SILENT)
    assert "There is no fit" in caught.value.problem


def test_refreshing_writes_what_is_new_and_never_fails_for_want_of_prices(path):
    study = Study(path)
    settings = read_settings(study.settings_path)
    refresh_payoff(study, settings, SILENT)
    kept = (path / "results" / RUN).stat().st_mtime_ns
    refresh_payoff(study, settings, SILENT)
    assert (path / "results" / RUN).stat().st_mtime_ns == kept
    put_prices(path, price_rows({}))
    refresh_payoff(study, settings, SILENT)
    assert (path / "results" / RUN).stat().st_mtime_ns == kept


def test_the_page_never_shows_what_is_not_current(path, pool):
    payoff_study(path, SILENT)
    shown = payoff_cells(load_payoff(pool))
    put_prices(path, price_rows(AMOUNTS | {"insulation full": 400.0}))
    dearer = payoff_cells(load_payoff(pool))
    assert not dearer.equals(shown)


def test_the_page_speaks_of_every_level_in_words(pool):
    found = load_payoff(pool)
    said = payoff_sentences(pool, found)
    assert len(said) == 5
    assert said[3].startswith("Against none, fully insulated hives with the top opening closed")
    assert "No price “insulation full closed” was given" in said[4]
    assert said[0].startswith("Against none, fully insulated hives brought +")
    assert "XTS a colony and winter" in said[0]
    assert "winter" in said[0].rpartition("paid back")[2]
    full = found.table("payoff").filter(level="full", subgroup="all").row(0, named=True)
    assert f"+{full['mean']:.1f}" in said[0]
    assert payoff_cells(found).height == 20
    assert any("Survival has no estimate" in s for s in reasons(found))
    assert turn_sentence(found).startswith("What moves the net benefit of fully insulated hives")
    assert turn_cells(found).height == 14  # three effects and eleven inputs
    assert part_cells(found).height == 20
    assert knowledge_cells(found)["whole"].min() >= 0.0
    assert set(input_cells(found)["source"]) >= {"default of the program"}


def test_without_any_estimate_the_page_gives_reasons_and_no_money(path):
    table = path / "results" / "estimands.csv"
    refused = pl.read_csv(table).with_columns(
        status=pl.lit("cannot be estimated"), reason=pl.lit("no level is linked.")
    )
    refused.write_csv(table)
    note_run(path, sha256="c")
    pool = load_pool(path)
    found = load_payoff(pool)
    assert main_level(found) == ""
    for said in payoff_sentences(pool, found):
        assert "nothing is said in money (cannot be estimated)" in said
        assert "no level is linked" in said
    assert set(payoff_cells(found)["net"]) == {"cannot be estimated"}
    assert found.table("payoff_knowledge").is_empty()


def test_recorded_work_and_material_stand_beside_the_prices(path):
    units = load_pool(path).units
    level, other = "full", "none"
    of_level = units.filter(pl.col("level") == level)
    rows = of_level.select("colony_id", "winter", material_cost=30.0, work_h=0.5)
    few = units.filter(pl.col("level") == other).sort("member_id").head(2)
    rows = pl.concat([rows, few.select("colony_id", "winter", material_cost=9.0, work_h=0.1)])
    with Store.open(path / "store.duckdb") as store:
        store.connection.register("incoming", rows)
        store.connection.execute(
            "INSERT INTO set_ups_rows BY NAME SELECT *, 'a' AS _file_sha256, 1 AS _file_no, "
            "'' AS _sheet, 2 AS _row, now() AS _ingested_at, false AS _is_superseded FROM incoming"
        )
    told = recorded_costs(load_pool(path)).to_dicts()
    assert [row["level"] for row in told] == [other, level]
    assert told[0]["is_hidden"]
    assert told[0]["work_h"] is None
    # the other level is hidden too: it would follow from the total
    assert told[1]["is_hidden"]
    with Store.open(path / "store.duckdb") as store:
        store.connection.execute("DELETE FROM set_ups_rows WHERE work_h < 0.2")
    [alone] = recorded_costs(load_pool(path)).to_dicts()
    assert (alone["work_h"], alone["material_cost"]) == (0.5, 30.0)
    assert alone["n_units"] == of_level.height


@pytest.mark.parametrize("name", ["net", "horizon", "turns", "map"])
def test_figures_are_drawn_and_told(pool, name):
    found = load_payoff(pool)
    figure = getattr(figures_payoff, f"{name}_figure")(found)
    assert isinstance(figure, Figure)
    assert any(axes.has_data() for axes in figure.axes)
    figure.canvas.draw()
    alt = getattr(figures_payoff, f"{name}_alt")(found)
    assert alt.endswith(".")
    assert "nan" not in alt
    assert "full" in alt


def test_a_missing_price_is_told_on_the_page_and_by_the_command(path, pool, capsys):
    put_prices(path, price_rows({k: v for k, v in AMOUNTS.items() if k != "insulation full"}))
    found = load_payoff(pool)
    assert any("“insulation full”" in s.replace("\\", "") for s in payoff_sentences(pool, found))
    reckoned = payoff_study(path, SILENT)
    print_payoff(reckoned)
    out = capsys.readouterr().out
    assert "The price is missing: “insulation full”." in out
    assert "price missing" in out
    assert "stores saved" in out


def test_the_command_prints_every_part(path, capsys):
    payoff(path, quiet=True)
    out = capsys.readouterr().out
    assert "full closed: No price “insulation full closed” was given" in out
    for words in (
        "currency XTS",
        "Net benefit against none",
        "winters to break even",
        "What it is made of",
        "turn",
        "one more winter of 100 colonies",
        "duty to treat mites",
        "Losses to disaster",
    ):
        assert words in out, words
    assert "None" not in out.replace("none", "")


def test_a_folder_without_own_prices_is_refused(path):
    with pytest.raises(StudyError) as caught:
        payoff(path, out=path / "x", quiet=True)
    assert "--out" in caught.value.problem
