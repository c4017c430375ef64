"""The smallest study that is fitted: sixteen invented colonies of one winter, survival alone.

With 20 draws the sampler takes half a second and never passes its gates, so that no estimate is
shown: for tests of what a fit writes, not of what it finds.
"""

from __future__ import annotations

from pathlib import Path

from pipeline.progress import SILENT
from pipeline.runner import do_step, ingest
from pipeline.settings import ModelSettings, Settings, StudySettings
from pipeline.study import Study, new_study
from tests.inbox import put

MODEL = ModelSettings(
    chains=2, tune=20, draws=20, retries=0, cores=1, minimum_links=2, minimum_colonies=4
)
YARDS = [f"Y{k}" for k in range(1, 5)]
NAMES = [f"{yard}{k}" for yard in YARDS for k in "abcd"]


def tiny_study(path: Path, *, is_sampled: bool = True) -> Study:
    """Make the study, load and derive it.

    Parameters
    ----------
    path : Path
    is_sampled : bool
        False leaves the set-ups out: nothing can be estimated, and the fit takes no time.
    """
    settings = Settings(study=StudySettings(name="Tiny (invented)", is_invented=True), model=MODEL)
    study = new_study(path, settings)
    body = "inner_length_mm,inner_width_mm,inner_height_mm,wall_material,wall_thickness_mm"
    ends = {name: "dead" if k % 5 == 0 else "alive" for k, name in enumerate(NAMES)}
    put(
        study,
        apiaries="apiary_id,member_id\n" + "".join(f"{yard},M {yard}\n" for yard in YARDS),
        colonies=f"colony_id,apiary_id,{body}\n"
        + "".join(f"{name},{name[:2]},465,375,240,softwood,22\n" for name in NAMES),
        strengths="colony_id,inspected_on,frames_of_bees\n"
        + "".join(f"{name},2023-10-01,{5 + k % 7}\n" for k, name in enumerate(NAMES)),
        outcomes="colony_id,winter,checked_on,state\n"
        + "".join(f"{name},2023,2024-04-20,{ends[name]}\n" for name in NAMES),
    )
    if is_sampled:
        layers = [
            f"{name},2023,{surface},cork,60\n"
            for name in NAMES
            if name[-1] in "ab"
            for surface in ("sides", "top", "bottom")
        ]
        put(
            study,
            set_ups="colony_id,winter,top_opening\n"
            + "".join(f"{name},2023,open\n" for name in NAMES),
            layers="colony_id,winter,surface,material,thickness_mm\n" + "".join(layers),
        )
    ingest(path, SILENT)
    do_step("prepare", path, SILENT)
    return study
