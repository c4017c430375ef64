"""Settings: defaults, plain refusals, and a template that reads back as itself."""

from __future__ import annotations

import dataclasses
import tomllib
from pathlib import Path

import pytest

from pipeline.errors import StudyError
from pipeline.settings import (
    PAYOFF_INPUTS,
    ModelSettings,
    PayoffSettings,
    Settings,
    StudySettings,
    read_settings,
    render_settings,
    settings_from_mapping,
)

WHERE = Path("study.toml")


def test_nothing_given_means_all_defaults():
    assert settings_from_mapping({}, WHERE) == Settings()


def test_the_template_states_every_setting_and_changes_none():
    text = render_settings(Settings())
    assert settings_from_mapping(tomllib.loads(text), WHERE) == Settings()
    for section in dataclasses.fields(Settings):
        for item in dataclasses.fields(getattr(Settings(), section.name)):
            assert f"\n# {item.name} = " in text, item.name


def test_changed_settings_read_back():
    changed = Settings(
        study=StudySettings(name='A "quoted" name', is_invented=True),
        model=ModelSettings(target_accept=0.95, draws=2000),
    )
    assert settings_from_mapping(tomllib.loads(render_settings(changed)), WHERE) == changed


def test_a_whole_number_serves_where_a_fraction_is_asked():
    given = settings_from_mapping({"winter": {"degree_day_base_c": 8}}, WHERE)
    assert given.winter.degree_day_base_c == 8.0
    assert isinstance(given.winter.degree_day_base_c, float)


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"winters": {}}, "no section [winters]"),
        ({"winter": 3}, "winter must be a section"),
        ({"winter": {"starts": "10-01"}}, "no setting 'starts'"),
        ({"winter": {"starts_on": "1 October"}}, "not a month and day"),
        ({"winter": {"starts_on": "13-01"}}, "not a month and day"),
        ({"model": {"draws": "many"}}, "expected kind (int)"),
        ({"model": {"draws": True}}, "expected kind (int)"),
        ({"model": {"draws": -5}}, "is negative"),
        ({"model": {"target_accept": 1.0}}, "is no share between 0 and 1"),
        ({"model": {"large_target_accept": 0.0}}, "is no share between 0 and 1"),
        ({"study": {"is_invented": 1}}, "expected kind (bool)"),
        ({"stores": {"processing_loss": float("nan")}}, "is not a number"),
    ],
)
def test_a_wrong_setting_is_named_with_its_place(given, words):
    with pytest.raises(StudyError) as caught:
        settings_from_mapping(given, WHERE)
    assert words in caught.value.problem
    assert "study.toml" in caught.value.problem
    assert caught.value.mend.endswith(".")


@pytest.mark.parametrize(
    ("content", "words"),
    [(b"[winter\n", "not valid TOML"), (b"\xff\xfe\x00", "not UTF-8"), (None, "does not exist")],
)
def test_an_unreadable_file_is_told(tmp_path, content, words):
    path = tmp_path / "study.toml"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(StudyError) as caught:
        read_settings(path)
    assert words in caught.value.problem


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"lifetime_winters": 15.0}, "outside its range, 5.0 to 12.0"),
        ({"lifetime_winters": 0.5, "lifetime_winters_low": 0.5}, "below one winter"),
        ({"discount_rate": 3, "discount_rate_high": 3}, "is above 1"),
        ({"feed_share_low": 0.6}, "outside its range, 0.6 to 1.0"),
    ],
)
def test_a_payoff_setting_outside_its_range_is_refused(given, words):
    with pytest.raises(StudyError) as caught:
        settings_from_mapping({"payoff": given}, WHERE)
    assert words in caught.value.problem
    assert "[payoff]" in caught.value.problem
    assert caught.value.mend.endswith(".")


def test_every_payoff_input_has_a_value_and_a_range():
    names = {item.name for item in dataclasses.fields(PayoffSettings)}
    assert names == {f"{name}{end}" for name in PAYOFF_INPUTS for end in ("", "_low", "_high")}


def test_any_text_can_be_written_and_read_again(tmp_path):
    odd = 'Two\nlines, a "quote", a \\ and a tab\t'
    settings = Settings(study=StudySettings(name=odd))
    path = tmp_path / "study.toml"
    path.write_text(render_settings(settings), encoding="utf-8")
    assert read_settings(path).study.name == odd


def test_national_pools_keep_half_as_many_draws_more():
    model = ModelSettings(draws=500)
    assert [model.kept_draws(n) for n in (30, 4_000, 4_001)] == [500, 500, 750]
