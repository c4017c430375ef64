"""Every fuzzed target on sound inputs and on inputs with a few bytes changed.

The long search, guided by coverage, is ``python -m tests.fuzz.run``; it needs the group ``fuzz``.
"""

from __future__ import annotations

import warnings

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.fuzz.targets import TARGETS, seeds

SEEDS = {target: seeds(target) for target in TARGETS}
SPLICES = (
    b"\0",
    b"\xff",
    b'"',
    b"\n",
    b"\r",
    b"\x1e",
    b",",
    b"9" * 40,
    b"<",
    b"&",
    b"[",
    b"{",
    b"-",
)


@pytest.mark.parametrize("target", TARGETS)
def test_a_sound_input_passes(target: str) -> None:
    for seed in SEEDS[target]:
        TARGETS[target](seed)


@st.composite
def changed(draw: st.DrawFn, target: str) -> bytes:
    """A sound input of which up to four places are overwritten, cut or filled."""
    content = bytearray(draw(st.sampled_from(SEEDS[target])))
    for _ in range(draw(st.integers(1, 4))):
        at = draw(st.integers(0, len(content)))
        piece = draw(st.sampled_from(SPLICES) | st.binary(max_size=4))
        content[at : at + draw(st.integers(0, 6))] = piece
    return bytes(content)


@pytest.mark.parametrize("target", TARGETS)
@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(data=st.data())
def test_a_changed_input_ends_in_words_or_in_counted_rows(target: str, data: st.DataObject) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # what libraries think of broken files
        TARGETS[target](data.draw(changed(target)))
