"""Mappings as wholes: codes, splitting, identity of hives, options, sheets set aside."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from textwrap import dedent

import polars as pl
import pytest

from pipeline.checks import check_rows
from pipeline.errors import MappingError
from pipeline.mapping import load_mappings, plan_table, read_options
from pipeline.readers import ROW
from tests.mapped import (
    CONTRACTS,
    MITES,
    TODAY,
    apply,
    batch,
    hive,
    plan,
    told,
    weighings,
)


def test_a_code_nobody_listed_is_a_rejected_row_that_names_it(tmp_path: Path) -> None:
    toml = dedent(MITES).format(columns='bees_sampled = {constant = 300}\nmites_counted = "M"')
    (checked,) = apply(tmp_path, toml, [hive(How="wash", M="3"), hive(How="shake", M="3")])
    assert checked.accepted["method"].to_list() == ["alcohol wash"]
    assert told(checked) == [(3, "method", "shake", "unknown code")]
    assert "'wash', 'board'" in checked.rejected["mend"][0]
    assert "log.toml" in checked.rejected["mend"][0]


def test_codes_for_nothing_noted_are_missing_and_empty_cells_may_be_coded(tmp_path: Path) -> None:
    toml = weighings().replace('{constant = "scale"}', (
        '{from = "How", recode = {"" = "scale", "hand" = "luggage scale", "?" = ""}}'
    ))  # fmt: skip
    (checked,) = apply(
        tmp_path,
        toml,
        [hive(Weight="30", How=None), hive(Weight="30", How="hand"), hive(Weight="30", How="?")],
    )
    assert checked.accepted["method"].to_list() == ["scale", "luggage scale"]
    assert told(checked) == [(4, "method", None, "required")]


LOG = """
    [[table]]
    files = ["LOG*.csv", "other.csv"]
    unused = ["Remark*"]
    [[table.ignore]]
    where = {column = "What", in = ["paint", "honey"]}
    reason = "not about wintering"
    [[table.ignore]]
    where = {column = "Figure", is_empty = true}
    reason = "no figure"
    [[table.record]]
    record = "weighings"
    where = {column = "What", equals = "weight"}
    [table.record.columns]
    colony_id = "Hive"
    weighed_on = "Day"
    gross_kg = "Figure"
    method = {constant = "scale"}
    [[table.record]]
    record = "feedings"
    where = [{column = "What", matches = "^syrup"}, {column = "Day", not_in = ["2024-01-01"]}]
    [table.record.columns]
    colony_id = "Hive"
    fed_on = "Day"
    feed = {from = "What", recode = {"syrup 2" = "syrup 2:1", "syrup 1" = "syrup 1:1"}}
    mass_kg = "Figure"
"""


def test_a_long_log_is_split_and_every_row_is_accounted_for(tmp_path: Path) -> None:
    rows = [
        hive(What=what, Figure=figure, Remarks=None)
        for what, figure in [
            ("weight", "31"),
            ("syrup 2", "4"),
            ("paint", None),
            ("weight", None),
            ("queen", "1"),
            (None, "1"),
        ]
    ]
    table = plan(tmp_path, LOG, tuple(rows[0]))
    frame = batch(rows)
    assert table.ignored is not None
    assert table.ignored_reason is not None
    taken = [frame.filter(record.where)[ROW].to_list() for record in table.records]
    assert [record.record for record in table.records] == ["weighings", "feedings"]
    assert taken == [[2], [3]]
    ignored = frame.filter(table.ignored).select(ROW, reason=table.ignored_reason)
    assert ignored.rows() == [(4, "not about wintering"), (5, "no figure")]
    left = frame.filter(~pl.any_horizontal(r.where for r in table.records) & ~table.ignored)
    assert left[ROW].to_list() == [6, 7]


IDENTITY = """
    [[table]]
    files = "log.csv"
    [table.identity]
    tag = "Tag"
    on = {{from = "Day", format = "%d.%m.%Y"}}
    {periods}
    [[table.record]]
    record = "weighings"
    [table.record.columns]
    colony_id = {{identity = true}}
    weighed_on = {{from = "Day", format = "%d.%m.%Y"}}
    gross_kg = "Weight"
    method = {{constant = "scale"}}
"""


@pytest.mark.parametrize("is_file", [True, False])
def test_a_tag_stands_for_one_colony_at_a_time(tmp_path: Path, is_file: bool) -> None:
    (tmp_path / "mappings").mkdir()
    (tmp_path / "mappings" / "tags.csv").write_text(
        "tag,from_on,to_on,colony_id\n7,,2023-12-31,old\n7,2024-02-01,,new\n8,2024-01-01,,eight\n"
    )
    periods = 'file = "tags.csv"' if is_file else (
        '[[table.identity.period]]\ntag = "7"\nto_on = 2023-12-31\ncolony_id = "old"\n'
        '[[table.identity.period]]\ntag = "7"\nfrom_on = 2024-02-01\ncolony_id = "new"\n'
        '[[table.identity.period]]\ntag = "8"\nfrom_on = "2024-01-01"\ncolony_id = "eight"\n'
    )  # fmt: skip
    days = ["01.02.2024", "31.12.2023", "15.01.2024", "01.01.2024", "?", "31.12.2023"]
    tags = ["7", "7", "7", "8", "7", "9"]
    rows: list[dict[str, str | None]] = [
        {"Tag": t, "Day": d, "Weight": "30"} for t, d in zip(tags, days, strict=True)
    ]
    toml = "\n".join(line.strip() for line in IDENTITY.splitlines()).format(periods=periods)
    (checked,) = apply(tmp_path, toml, rows)
    assert checked.accepted.select(ROW, "colony_id").rows() == [
        (2, "new"),
        (3, "old"),
        (5, "eight"),
    ]
    assert told(checked) == [
        (4, "colony_id", "7 on 15.01.2024", "identity"),
        (6, "colony_id", "7 on ?", "identity"),
        (6, "weighed_on", "?", "date"),
        (7, "colony_id", "9 on 31.12.2023", "identity"),
    ]


def test_a_column_may_be_filled_in_some_rows_only(tmp_path: Path) -> None:
    toml = """
        [[table]]
        files = "log.csv"
        [[table.record]]
        record = "winter_outcomes"
        [table.record.columns]
        colony_id = "Hive"
        winter = {constant = 2024}
        checked_on = "Day"
        state = "State"
        death_found_on = {from = "Day", when = {column = "State", equals = "dead"}}
    """
    rows = [hive(Day="2025-04-01", State="dead"), hive(Day="2025-04-01", State="alive")]
    (checked,) = apply(tmp_path, toml, rows)
    assert checked.accepted["death_found_on"].to_list() == [date(2025, 4, 1), None]
    assert checked.accepted["winter"].to_list() == [2024, 2024]


def test_a_needed_column_that_is_absent_says_why_in_every_row(tmp_path: Path) -> None:
    toml = weighings().replace('{constant = "scale"}', '{absent = "the book does not say how"}')
    (checked,) = apply(tmp_path, toml, [hive(Weight="30")])
    assert checked.rejected.select("row", "column", "rule", "mend").rows() == [
        (2, "method", "required", "Ask the member for method: the book does not say how.")
    ]


def test_a_formula_as_a_name_is_refused_with_its_mend(tmp_path: Path) -> None:
    rows = [
        hive(Hive=name, Weight="30") for name in ("=1+1", "+A", "@sum", "-1+1", "=cmd|' /C'!A0")
    ]
    (checked,) = apply(tmp_path, weighings(), rows)
    assert checked.accepted.height == 0
    assert set(checked.rejected["rule"]) == {"pattern"}
    assert "letters, digits" in checked.rejected["mend"][0]


def test_tables_without_a_mapping_are_recognised_and_keep_their_decimal_mark() -> None:
    header = ("Colony ID", "weighed-on", "gross_kg", "method")
    table = plan_table("w.csv", "", header, [], CONTRACTS, decimal=",")
    rows = [{"Colony ID": "A", "weighed-on": "2024-10-05", "gross_kg": "31,5", "method": "scale"}]
    (record,) = table.records
    checked = check_rows(CONTRACTS["weighings"], record, batch(rows), TODAY)  # type: ignore[arg-type]
    assert checked.accepted.drop(ROW).row(0)[:4] == ("A", date(2024, 10, 5), 31.5, "scale")
    assert table.mapping == ""


def test_reading_options_are_gathered_and_must_agree(tmp_path: Path) -> None:
    toml = """
        [[table]]
        files = "Book *.xlsx"
        sheet = "Weights*"
        decimal = ","
        skip_rows = 2
        set_aside = "kept elsewhere"
        [[table]]
        files = "*.xlsx"
        sheet = "Diary"
        set_aside = "a diary"
        [[table]]
        files = "*.csv"
        delimiter = ";"
        encoding = "latin-1"
        set_aside = "old"
    """
    (tmp_path / "a.toml").write_text(dedent(toml))
    mappings = load_mappings(tmp_path)
    options = read_options("book 2024.XLSX", mappings)
    assert (options.delimiter, options.decimal) == (None, ",")
    assert options.skip_rows_of == (("Weights*", 2), ("Diary", 0))
    assert options.unchecked_sheets == ("Weights*", "Diary")
    assert read_options("x.csv", mappings).encoding == "latin-1"
    (tmp_path / "b.toml").write_text('[[table]]\nfiles = "x.csv"\ndelimiter = ","\nset_aside = "y"')
    with pytest.raises(MappingError, match="different values of delimiter"):
        read_options("x.csv", load_mappings(tmp_path))


def test_a_sheet_set_aside_is_ignored_whole(tmp_path: Path) -> None:
    toml = '[[table]]\nfiles = "log.csv"\nsheet = "Dia*"\nset_aside = "a diary"'
    table = plan(tmp_path, toml, ("column 1",), sheet="Diary")
    frame = batch([{"column 1": "wasps"}])
    assert table.records == ()
    assert table.ignored is not None
    assert table.ignored_reason is not None
    assert frame.filter(table.ignored).select(table.ignored_reason).item() == "a diary"
