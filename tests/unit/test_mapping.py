"""Mappings applied to small tables: what each way of reading a column gives."""

from datetime import UTC, date, datetime
from pathlib import Path
from textwrap import dedent

import polars as pl
import pytest

from pipeline.checks import Checked, check_rows
from pipeline.contracts import load_contracts
from pipeline.errors import MappingError
from pipeline.mapping import TablePlan, load_mappings, plan_table, read_options
from pipeline.readers import ROW

TODAY = date(2026, 1, 1)
CONTRACTS = load_contracts()


def plan(
    folder: Path, toml: str, header: tuple[str, ...], decimal: str = ".", sheet: str = ""
) -> TablePlan:
    (folder / "mappings").mkdir(exist_ok=True)
    (folder / "mappings" / "log.toml").write_text(dedent(toml), encoding="utf-8")
    mappings = load_mappings(folder / "mappings")
    return plan_table("log.csv", sheet, header, mappings, CONTRACTS, decimal=decimal)


def batch(rows: list[dict[str, str | None]]) -> pl.DataFrame:
    names = list(rows[0])
    frame = pl.DataFrame(rows, schema=dict.fromkeys(names, pl.String))
    return frame.with_row_index(ROW, 2).with_columns(pl.col(ROW).cast(pl.Int64))


def apply(
    folder: Path, toml: str, rows: list[dict[str, str | None]], decimal: str = "."
) -> list[Checked]:
    table = plan(folder, toml, tuple(rows[0]), decimal)
    return [check_rows(CONTRACTS[r.record], r, batch(rows), TODAY) for r in table.records]


def told(checked: Checked) -> list[tuple[object, ...]]:
    return checked.rejected.select("row", "column", "value", "rule").rows()


WEIGHINGS = """
    [[table]]
    files = "log.csv"
    {table}
    [[table.record]]
    record = "weighings"
    [table.record.columns]
    colony_id = "Hive"
    weighed_on = {day}
    gross_kg = {weight}
    method = {{constant = "scale"}}
"""


def weighings(table: str = "", day: str = '"Day"', weight: str = '"Weight"') -> str:
    return dedent(WEIGHINGS).format(table=table, day=day, weight=weight)


def hive(**cells: str | None) -> dict[str, str | None]:
    return {"Hive": "A", "Day": "2024-10-05", **cells}


@pytest.mark.parametrize(
    ("unit", "written", "kg"),
    [
        ("lb", "100", 45.359237),
        ("pounds", "100.0", 45.359237),
        ("oz", "1600", 45.359237),
        ("g", "31250", 31.25),
        ("stone", "5", 31.7514659),
        ("lb oz", "68 lb 14 oz", 31.24117448375),
        ("lb oz", "68-14", 31.24117448375),
    ],
)
def test_weights_are_converted_exactly(tmp_path: Path, unit: str, written: str, kg: float) -> None:
    """Factors of the international yard and pound agreement of 1959 (from memory)."""
    (checked,) = apply(
        tmp_path, weighings(weight=f'{{from = "Weight", unit = "{unit}"}}'), [hive(Weight=written)]
    )
    assert checked.accepted["gross_kg"].to_list() == [pytest.approx(kg, rel=1e-15)]


@pytest.mark.parametrize("written", ["31 kg", "1,000", "12.5.1", "nan", "inf", "1e2", "=31", "x"])
def test_text_that_is_no_number_is_rejected_not_emptied(tmp_path: Path, written: str) -> None:
    for unit in ('"Weight"', '{from = "Weight", unit = "lb"}'):
        (checked,) = apply(tmp_path, weighings(weight=unit), [hive(Weight=written)])
        assert told(checked) == [(2, "gross_kg", written, "type")]


def test_decimal_commas_are_read_where_the_table_has_them(tmp_path: Path) -> None:
    rows = [hive(Weight="31,5"), hive(Weight="31.5"), hive(Weight="1.031,5")]
    (checked,) = apply(tmp_path, weighings(), rows, decimal=",")
    assert checked.accepted["gross_kg"].to_list() == [31.5]
    assert [row for row, *_ in told(checked)] == [3, 4]
    assert checked.rejected["mend"][0] == "Write Weight as a plain number, like 12,5."


@pytest.mark.parametrize(
    ("text_format", "written"),
    [
        ("%d/%m/%Y", "05/10/2024"),
        ("%d/%m/%Y", "5/10/2024"),
        ("%m/%d/%y", "10/05/24"),
        ("%d.%m.%Y", "05.10.2024"),
        ("%d %b %Y", "05 Oct 2024"),
        ("%Y%m%d", "20241005"),
        ("%d/%m/%Y %H:%M", "05/10/2024 23:30"),
    ],
)
def test_dates_are_read_by_their_format(tmp_path: Path, text_format: str, written: str) -> None:
    (checked,) = apply(
        tmp_path,
        weighings(day=f'{{from = "Day", format = "{text_format}"}}'),
        [hive(Day=written, Weight="30"), hive(Day="31/31/2024", Weight="30")],
    )
    assert checked.accepted["weighed_on"].to_list() == [date(2024, 10, 5)]
    assert told(checked) == [(3, "weighed_on", "31/31/2024", "date")]


def test_a_moment_belongs_to_the_calendar_day_of_the_stated_zone(tmp_path: Path) -> None:
    day = '{from = "Day", format = "%Y-%m-%d %H:%M:%S%z", time_zone = "America/Toronto"}'
    (checked,) = apply(
        tmp_path,
        weighings(day=day),
        [hive(Day="2024-10-05 03:59:00+00:00", Weight="30"),
         hive(Day="2024-10-05 04:00:00+00:00", Weight="30")],
    )  # fmt: skip
    assert checked.accepted["weighed_on"].to_list() == [date(2024, 10, 4), date(2024, 10, 5)]


READINGS = """
    [[table]]
    files = "log.csv"
    [[table.record]]
    record = "sensor_readings"
    [table.record.columns]
    colony_id = {{constant = "A"}}
    logged_at = {{{moment}}}
    position = {{constant = "brood nest"}}
    temperature_c = {temperature}
"""


def readings(moment: str, temperature: str = '{from = "T", unit = "°F"}') -> str:
    return dedent(READINGS).format(moment=moment, temperature=temperature)


@pytest.mark.parametrize(
    ("zone", "repeated", "expected"),
    [
        ("America/Toronto", "refuse", [None, None, 5]),
        ("America/Toronto", "first", [None, 5, 5]),
        ("America/Toronto", "second", [None, 6, 5]),
        ("UTC-05:00", "refuse", [7, 6, 5]),
        ("UTC+05:30", "refuse", [21, 20, 19]),
        ("UTC", "refuse", [2, 1, 0]),
    ],
)
def test_clock_changes_follow_the_stated_rule(
    tmp_path: Path, zone: str, repeated: str, expected: list[int | None]
) -> None:
    """Toronto skipped 02:00-03:00 on 10 March 2024 and had 01:00-02:00 twice on 3 November."""
    moment = (
        f'from = "At", format = "%Y-%m-%d %H:%M", time_zone = "{zone}", '
        f'repeated_hour = "{repeated}"'
    )
    (checked,) = apply(
        tmp_path,
        readings(moment),
        [
            {"At": "2024-03-10 02:30", "T": "95"},
            {"At": "2024-11-03 01:30", "T": "95"},
            {"At": "2024-01-01 00:30", "T": "95"},
        ],
    )
    hours = dict(checked.accepted.select(ROW, pl.col("logged_at").dt.hour()).iter_rows())
    assert [hours.get(row) for row in (2, 3, 4)] == expected
    assert [row for row, *_ in told(checked)] == [
        row for row, hour in zip((2, 3, 4), expected, strict=True) if hour is None
    ]


def test_date_and_time_columns_are_joined(tmp_path: Path) -> None:
    moment = 'join = ["Date", "Time"], format = "%m/%d/%Y %I:%M %p", time_zone = "UTC-05:00"'
    (checked,) = apply(
        tmp_path,
        readings(moment),
        [{"Date": "01/05/2024", "Time": "01:30 PM", "T": "95"},
         {"Date": "01/05/2024", "Time": None, "T": "95"}],
    )  # fmt: skip
    assert checked.accepted["logged_at"].to_list() == [datetime(2024, 1, 5, 18, 30, tzinfo=UTC)]
    assert told(checked) == [(3, "logged_at", "01/05/2024", "datetime")]


def test_fahrenheit_is_exact_and_read_as_celsius_is_caught_by_the_range(tmp_path: Path) -> None:
    """Brood nests are kept near 35 °C, that is 95 °F (facts: 34 to 36 °C)."""
    moment = 'from = "At", format = "%Y-%m-%d %H:%M", time_zone = "UTC"'
    rows: list[dict[str, str | None]] = [
        {"At": f"2024-06-01 0{i}:00", "T": t} for i, t in enumerate(["93.2", "95", "96.8"])
    ]
    (right,) = apply(tmp_path, readings(moment), rows)
    assert right.accepted["temperature_c"].to_list() == [34.0, 35.0, 36.0]
    (wrong,) = apply(tmp_path, readings(moment, '{from = "T", unit = "°C"}'), rows)
    assert wrong.accepted.height == 0
    assert set(wrong.rejected["rule"]) == {"maximum"}
    assert "check the value and its unit" in wrong.rejected["mend"][0]


MITES = """
    [[table]]
    files = "log.csv"
    [[table.record]]
    record = "mite_counts"
    [table.record.columns]
    colony_id = "Hive"
    sampled_on = "Day"
    method = {{from = "How", recode = {{wash = "alcohol wash", board = "sticky board"}}}}
    {columns}
"""


def test_a_code_nobody_listed_is_a_rejected_row_that_names_it(tmp_path: Path) -> None:
    toml = dedent(MITES).format(columns='bees_sampled = {constant = 300}\nmites_counted = "M"')
    (checked,) = apply(tmp_path, toml, [hive(How="wash", M="3"), hive(How="shake", M="3")])
    assert checked.accepted["method"].to_list() == ["alcohol wash"]
    assert told(checked) == [(3, "method", "shake", "unknown code")]
    assert "'wash', 'board'" in checked.rejected["mend"][0]
    assert "log.toml" in checked.rejected["mend"][0]


@pytest.mark.parametrize(
    ("unit", "bees", "written", "mites"),
    [
        ("mites per 300 bees", "{constant = 300}", "9", 9),
        ("per 100 bees", '"Bees"', "4.3", 13),  # 12.9 in 300 bees: a rounded figure
        ("per 100 bees", '"Bees"', "4.17", None),  # 12.51: no whole number of mites
        ("per 100 bees", '"Bees"', "few", None),
    ],
)
def test_mites_per_so_many_bees_become_counts_beside_a_sample_size(
    tmp_path: Path, unit: str, bees: str, written: str, mites: int | None
) -> None:
    columns = f'bees_sampled = {bees}\nmites_counted = {{from = "M", unit = "{unit}"}}'
    row = hive(How="wash", M=written)
    (checked,) = apply(
        tmp_path,
        dedent(MITES).format(columns=columns),
        [row | {"Bees": "300"} if "Bees" in bees else row],
    )
    assert checked.accepted["mites_counted"].to_list() == ([] if mites is None else [mites])


def test_mites_per_hundred_bees_without_a_sample_size_are_refused(tmp_path: Path) -> None:
    columns = 'mites_counted = {from = "M", unit = "mites per 100 bees"}'
    with pytest.raises(MappingError, match="without the number of bees"):
        apply(tmp_path, dedent(MITES).format(columns=columns), [hive(How="wash", M="3")])
    # Counts alone: the contract refuses a wash without its sample.
    (checked,) = apply(
        tmp_path, dedent(MITES).format(columns='mites_counted = "M"'), [hive(How="wash", M="3")]
    )
    assert [(c, r) for _, c, _, r in told(checked)] == [("bees_sampled", "required_when")]


STRENGTH = """
    [[table]]
    files = "log.csv"
    missing = ["-"]
    [[table.record]]
    record = "strength_inspections"
    [table.record.columns]
    colony_id = "Hive"
    inspected_on = "Day"
    frames_of_bees = {sum = ["Box 1", "Box 2", "Box 3"]}
"""


def test_columns_are_added_up_and_only_all_empty_is_missing(tmp_path: Path) -> None:
    boxes = [("10", "7.5", None), (None, None, None), ("-", None, "-"), ("8", "x", None)]
    rows = [hive(**dict(zip(["Box 1", "Box 2", "Box 3"], b, strict=True))) for b in boxes]
    (checked,) = apply(tmp_path, STRENGTH, rows)
    assert checked.accepted["frames_of_bees"].to_list() == [17.5, None, None]
    assert told(checked) == [(5, "frames_of_bees", "8 + x", "type")]


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


def test_inches_may_have_fractions(tmp_path: Path) -> None:
    toml = """
        [[table]]
        files = "log.csv"
        [[table.record]]
        record = "set_up_layers"
        [table.record.columns]
        colony_id = {constant = "A"}
        winter = {constant = 2024}
        surface = {constant = "top"}
        layer_no = "No"
        material = {constant = "cork"}
        thickness_mm = {from = "In", unit = "in"}
    """
    sizes = ["2", "1.5", "3/4", "1 1/2", "1-1/2", "1/0"]
    rows: list[dict[str, str | None]] = [{"No": str(i), "In": s} for i, s in enumerate(sizes, 1)]
    (checked,) = apply(tmp_path, toml, rows)
    thickness_mm = checked.accepted["thickness_mm"].to_list()
    assert thickness_mm == pytest.approx([50.8, 38.1, 19.05, 38.1, 38.1], rel=1e-15)
    assert told(checked) == [(7, "thickness_mm", "1/0", "type")]


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
