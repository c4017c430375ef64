"""Mistakes in mapping files: each is named with its place and its mend."""

from pathlib import Path
from textwrap import dedent

import pytest

from pipeline.contracts import load_contracts
from pipeline.errors import MappingError
from pipeline.mapping import load_mappings, plan_table
from pipeline.mapping.units import conversion

HEADER = ("Hive", "Day", "Weight", "How")
GOOD = """
    [[table]]
    files = "log.csv"
    unused = ["How"]
    [[table.record]]
    record = "weighings"
    [table.record.columns]
    colony_id = "Hive"
    weighed_on = "Day"
    gross_kg = "Weight"
    method = {constant = "scale"}
"""


def plan(folder: Path, toml: str) -> None:
    (folder / "mappings").mkdir(exist_ok=True)
    (folder / "mappings" / "log.toml").write_text(dedent(toml), encoding="utf-8")
    mappings = load_mappings(folder / "mappings")
    plan_table("log.csv", "", HEADER, mappings, load_contracts())


def test_the_good_mapping_is_good(tmp_path: Path) -> None:
    plan(tmp_path, GOOD)


@pytest.mark.parametrize(
    ("old", "new", "words", "mend"),
    [
        ('"Weight"', '{from = "Weight", unit = "slug"}', "no unit 'slug'", "kg, g, lb"),
        ('"Weight"', '{from = "Weight", unit = "°F"}', "measures temperature", "kg, g, lb"),
        ('"Weight"', '{from = "Weight", unit = "ft in"}', "measures length", "kg, g, lb"),
        ('"Weight"', '{from = "Weight", units = "lb"}', "no key 'units'", "Use 'unit'"),
        ('"Weight"', '{from = "Weight", format = "%d"}', "gross_kg is no date", "Remove format"),
        ('"Weight"', '{from = "Wt"}', "no heading 'Wt'", "Correct the name"),
        ('"Weight"', '{constant = "heavy"}', "'heavy' is no number", "Write a number"),
        ('"Weight"', '{from = "Weight", sum = ["How"]}', "has 2 sources", "Give one of"),
        ('"Weight"', '{unit = "kg"}', "has 0 sources", "Give one of"),
        ('"Weight"', "{identity = true}", "no identity map", "[table.identity]"),
        ('"Weight"', '{from = "Weight", recode = {a = "b"}}', "'b' is no number", "number"),
        ('"Day"', '{from = "Day", format = "%Q"}', "'%Q' is no date format", "%d/%m/%Y"),
        ('"Day"', '{from = "Day", format = "%H:%M"}', "is no date format", "%d/%m/%Y"),
        (
            '"Day"',
            '{from = "Day", format = "%Y-%m-%d %H:%M%z"}',
            "gives a moment, not a day",
            "Add time_zone",
        ),
        (
            '"Day"',
            '{from = "Day", format = "%d/%m/%Y", time_zone = "Mars/Base"}',
            "no time zone 'Mars/Base'",
            "UTC-05:00",
        ),
        ('"Day"', '{from = "Day", unit = "d"}', "weighed_on is a date", "Remove its unit"),
        ('"scale"', '"sclae"', "'sclae' is not allowed", "scale, luggage scale"),
        (
            '{constant = "scale"}',
            '{from = "How", recode = {a = "balance"}}',
            "'balance' is not allowed",
            "scale, luggage scale",
        ),
        ('{constant = "scale"}', '{from = "How", unit = "kg"}', "method is no number", "Remove"),
        ('method = {constant = "scale"}', "", "needs method, which is not mapped", "absent"),
        ("method =", "metod =", "no column 'metod'", "method"),
        ('record = "weighings"', 'record = "weighing"', "no record 'weighing'", "'weighings'"),
        ('unused = ["How"]', "", "does not speak of: 'How'", "unused"),
        ('unused = ["How"]', "unused = [3]", "holds something that is no text", "quotation"),
        ('files = "log.csv"', 'files = "../log.csv"', "is a path", "without folders"),
        ('files = "log.csv"', 'files = "C:\\\\log.csv"', "is a path", "without folders"),
        ('files = "log.csv"', "", "lacks 'files'", "Add files"),
        ('files = "log.csv"', 'files = "log.csv"\nsheets = "x"', "no key 'sheets'", "'sheet'"),
        ('files = "log.csv"', 'files = "log.csv"\ndecimal = "."\nskip_rows = "2"', "kind", "skip"),
        ('files = "log.csv"', 'files = "log.csv"\ndecimal = ";"', "decimal = ';'", "'.', ','"),
        ('files = "log.csv"', 'files = "log.csv"\ndelimiter = "ab"', "one plain", "Write it"),
        ('files = "log.csv"', 'files = "log.csv"\nset_aside = "x"', "neither or both", "Give"),
        ("[[table]]", "[[tabel]]", "no key 'tabel'", "Use 'table'"),
        ("[[table]]", "x = [", "is not valid TOML", "Correct the line"),
    ],
)
def test_a_mistake_is_named_with_its_place_and_mend(
    tmp_path: Path, old: str, new: str, words: str, mend: str
) -> None:
    assert old in GOOD
    with pytest.raises(MappingError) as caught:
        plan(tmp_path, GOOD.replace(old, new, 1))
    assert words in caught.value.problem
    assert "log" in caught.value.problem
    assert mend in caught.value.mend


@pytest.mark.parametrize(
    ("condition", "words"),
    [
        ('{column = "How"}', "has 0 tests"),
        ('{column = "How", equals = "a", matches = "b"}', "has 2 tests"),
        ('{column = "How", matches = "("}', "no regular expression"),
        ('{equals = "a"}', "lacks 'column'"),
        ('{column = "Howe", equals = "a"}', "no heading 'Howe'"),
        ('{column = "How", equal = "a"}', "has 0 tests"),
    ],
)
def test_a_condition_must_make_sense(tmp_path: Path, condition: str, words: str) -> None:
    toml = GOOD.replace('record = "weighings"', f'record = "weighings"\nwhere = {condition}')
    with pytest.raises(MappingError, match=words.replace("(", r"\(")):
        plan(tmp_path, toml)


IDENTITY = GOOD.replace(
    "[[table.record]]",
    '[table.identity]\ntag = "How"\non = "Day"\nfile = "FILE"\n[[table.record]]',
).replace('colony_id = "Hive"', "colony_id = {identity = true}")


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (None, "cannot be read"),
        ("tag,from_on,to_on,colony_id\n", "holds no period"),
        ("tag,from_on,to_on,colony_id\n7,2024-05-01,2024-04-01,a\n", "ends before it begins"),
        ("tag,from_on,to_on,colony_id\n7,01.05.2024,,a\n", "is no date"),
        ("tag,from_on,to_on,colony_id\n7,,,\n", "lacks a tag or a colony_id"),
        (
            "tag,from_on,to_on,colony_id\n7,2024-01-01,2024-06-01,a\n7,2024-06-01,,b\n",
            "on 2024-06-01 the tag '7' stands for both 'a' and 'b'",
        ),
    ],
)
def test_an_identity_map_must_be_sound(tmp_path: Path, content: str | None, words: str) -> None:
    (tmp_path / "mappings").mkdir()
    if content is not None:
        (tmp_path / "mappings" / "tags.csv").write_text(content)
    with pytest.raises(MappingError, match=words):
        plan(tmp_path, IDENTITY.replace("FILE", "tags.csv"))


@pytest.mark.parametrize("way", ["up", "absolute", "link"])
def test_an_identity_map_outside_the_study_is_refused(tmp_path: Path, way: str) -> None:
    study, outside = tmp_path / "study", tmp_path / "tags.csv"
    (study / "mappings").mkdir(parents=True)
    outside.write_text("tag,from_on,to_on,colony_id\n7,,,a\n")
    (study / "mappings" / "link.csv").symlink_to(outside)
    name = {"up": "../../tags.csv", "absolute": str(outside), "link": "link.csv"}[way]
    with pytest.raises(MappingError, match="lies outside the study folder"):
        plan(study, IDENTITY.replace("FILE", name))


def test_a_table_claimed_twice_is_refused(tmp_path: Path) -> None:
    (tmp_path / "mappings").mkdir()
    (tmp_path / "mappings" / "other.toml").write_text(dedent(GOOD))
    with pytest.raises(MappingError, match=r"several mappings: log.toml, other.toml"):
        plan(tmp_path, GOOD)


def test_a_study_without_mappings_has_none(tmp_path: Path) -> None:
    assert load_mappings(tmp_path / "mappings") == []


def test_a_mapping_that_is_no_text_is_refused(tmp_path: Path) -> None:
    (tmp_path / "x.toml").write_bytes(b"\xff\xfe\0")
    with pytest.raises(MappingError, match=r"x.toml is not UTF-8 text"):
        load_mappings(tmp_path)


def test_units_of_different_kinds_do_not_convert() -> None:
    with pytest.raises(MappingError, match="'mph' measures speed, but 'kg' measures mass"):
        conversion("mph", "kg")
