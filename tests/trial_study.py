"""A small study in the autumn before its trial: invented members, no set-ups yet."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from pipeline.settings import Settings, StudySettings
from pipeline.study import Study, new_study
from tests.inbox import put

WINTER = 2024
SIZES = {"Hill": 6, "Ford": 5, "Croft": 2, "Lone": 1}
MEMBERS = {"Hill": "Ada Quill", "Ford": "Bo Fenn", "Croft": "Bo Fenn", "Lone": "Cy Marl"}
NAMES = [f"{yard}/{k}" for yard, size in SIZES.items() for k in range(1, size + 1)]


def autumn_study(path: Path) -> Study:
    """Make the study and put its files into the inbox; nothing is ingested."""
    settings = Settings(study=StudySettings(name="Trial study", is_invented=True))
    study = new_study(path, settings)
    rng = np.random.default_rng(5)
    body = "465,375,240,softwood,22"
    head = "inner_length_mm,inner_width_mm,inner_height_mm,wall_material,wall_thickness_mm"
    apiaries = "".join(f"{yard},{MEMBERS[yard]}\n" for yard in SIZES)
    colonies = "".join(f"{name},{name.split('/')[0]},{body}\n" for name in NAMES)
    counts = "".join(f"{n},2024-09-20,{rng.integers(8, 30) / 2},each comb\n" for n in NAMES)
    mites = "".join(f"{n},2024-09-20,alcohol wash,300,{rng.poisson(6)}\n" for n in NAMES[::2])
    put(
        study,
        apiaries=f"apiary_id,member_id\n{apiaries}",
        colonies=f"colony_id,apiary_id,{head}\n{colonies}",
        strength=f"colony_id,inspected_on,frames_of_bees,method\n{counts}",
        mites=f"colony_id,sampled_on,method,bees_sampled,mites_counted\n{mites}",
    )
    return study
