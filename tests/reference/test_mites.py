"""A published mite count."""

import pytest

from pipeline.settings import Settings
from pipeline.stages.mite_samples import mite_samples
from tests.stage_frames import record


def test_43_mites_in_310_bees_are_13_87_per_100():
    # Dietemann et al. 2013, Journal of Apicultural Research 52(1), section 4.2.3.1.2.1: mites
    # over bees times 100. Its worked example prints 14.3 for these counts, which is wrong.
    counts = record(
        "mite_counts",
        [
            {
                "colony_id": "a",
                "sampled_on": "2023-09-20",
                "method": "alcohol wash",
                "sample_no": 1,
                "bees_sampled": 310,
                "mites_counted": 43,
            }
        ],
    )
    samples = mite_samples(counts, record("treatments", []), Settings())
    assert samples["mites_per_100_bees"].to_list() == pytest.approx([13.87], abs=0.005)
    assert samples["mites_per_100_bees"].to_list() != pytest.approx([14.3], abs=0.1)
