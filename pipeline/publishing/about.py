"""What a bundle says of itself: README, citation, licence, RO-Crate.

References
----------
RO-Crate 1.1 (Soiland-Reyes and others 2022, Data Sci. 5:97-138); Citation File Format 1.2.0.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.publishing.checksums import SUMS, WHEN, bundle_files
from pipeline.publishing.descriptors import write_json
from pipeline.publishing.licences import Licence
from pipeline.settings import Settings

CRATE = "ro-crate-metadata.json"
FORMATS = {
    ".csv": "text/csv",
    ".parquet": "application/vnd.apache.parquet",
    ".json": "application/json",
    ".md": "text/markdown",
    ".html": "text/html",
    ".nc": "application/x-netcdf",
    ".toml": "application/toml",
    ".cff": "application/yaml",
}
INVENTED = "Everything in this bundle is invented: association, members, places, bees and figures."
SAW_OPENING = (
    "Whether the top was open can be seen over the fence too, and is published because the "
    "estimates need it: to somebody who sees it, {few} of {all} colony-winters look like "
    "too few others."
)
WITHHELD = (
    "names of members, apiaries and colonies (pseudonyms by keyed hash stand for them; the key is "
    "not here)",
    "coordinates, weather stations and daily weather (the mean cold of the winter is kept, in "
    "steps of {cold_k:g} K)",
    "all dates (stores use is scaled to the days of the reference winter; mite counts carry the "
    "mean day of their winter)",
    "exact strengths (each is the mean of a group of colonies in apiaries of the same size)",
    "notes and every other free text",
    "hive dimensions, materials, weighings, feedings and logger readings",
    "members who did not agree to publication",
)


@dataclass(frozen=True, slots=True)
class Facts:
    """What the texts of a bundle need to know.

    Attributes
    ----------
    settings : Settings
    licence : Licence
    finding_on : str
        Day of the study's fit, ISO 8601.
    versions : dict of str to str
    estimands, small_cells : polars.DataFrame
        The files of these names.
    cold_k : float
        Steps of cold [K].
    k, n_members, n_units, n_left_out, n_alone, n_by_opening : int
    """

    settings: Settings
    licence: Licence
    finding_on: str
    versions: dict[str, str]
    estimands: pl.DataFrame
    small_cells: pl.DataFrame
    cold_k: float
    k: int
    n_members: int
    n_units: int
    n_left_out: int
    n_alone: int
    n_by_opening: int

    @property
    def association(self) -> str:
        """Who publishes."""
        return self.settings.study.association or "The association"


def _cell(value: str) -> str:
    return " ".join(value.split()).replace("|", "\\|").replace("<", "&lt;")


def headline_lines(estimands: pl.DataFrame) -> list[str]:
    """Rows of a Markdown table: differences over the whole pool in these winters."""
    shown = estimands.filter(
        (pl.col("measure") == "difference")
        & (pl.col("subgroup") == "all")
        & (pl.col("horizon") == "these winters")
    )
    lines = ["| outcome | contrast | benefit | 95 % interval | unit |", "|---|---|---|---|---|"]
    for row in shown.to_dicts():
        number, limits = row["status"], ""
        if row["mean"] is not None:
            number = f"{row['mean']:+.2f}"
            limits = f"{row['q2.5']:+.2f} to {row['q97.5']:+.2f}"
        lines.append(
            f"| {row['outcome']} | {row['contrast']} | {number} | {limits} | {row['unit']} |"
        )
    return lines


def _privacy(facts: Facts) -> list[str]:
    lines = ["| view | what is known | classes | smallest | share found by chance |"]
    lines.append("|---|---|---|---|---|")
    for row in facts.small_cells.to_dicts():
        share = "" if row["expected_share"] is None else f"{100 * row['expected_share']:.0f} %"
        lines.append(
            f"| {row['view']} | {row['known'].replace('_', ' ')} | {row['classes']} "
            f"| {row['smallest_class']} | {share} |"
        )
    return lines


def readme(facts: Facts) -> str:
    """Write the bundle's README."""
    study = facts.settings.study
    bound = 100 / facts.k
    parts = [
        f"# {_cell(study.name)}",
        *([f"**{INVENTED}**"] if study.is_invented else []),
        f"Winter records of honey-bee colonies, pooled by {_cell(facts.association)}, and what "
        "they say of hive insulation: stores eaten, survival, strength in spring. "
        f"{facts.n_units:,} colony-winters of {facts.n_members} members who agreed to publication. "
        f"State of the finding: {facts.finding_on}.",
        "## What was found",
        "\n".join(headline_lines(facts.estimands)),
        "A positive number is a benefit. Whom each number is about stands beside it in "
        "`results/estimands.csv`; how far it can be trusted, and what to take care of with hives "
        "and mites, in `report/index.html`. The numbers are a fit of the records in this bundle: "
        "coarser, and of fewer members, than the association's own.",
        "## Check it yourself",
        "`sha256sum --check SHA256SUMS` says whether the files are as published. With Python "
        f"{facts.versions['python']}, `pip install --require-hashes -r "
        "environment/requirements.lock` installs the same versions of what Winterpool "
        f"{facts.versions['winterpool']} stands on. Then:",
        "    winterpool reproduce BUNDLE --no-refit   # seconds: checksums, and every number "
        "from the draws\n    winterpool reproduce BUNDLE              # minutes: fits the records "
        "again and compares",
        "## What is in it",
        "\n".join(
            (
                "- `data/`: the records, as CSV and as Parquet; `contracts/` and "
                "`datapackage.json` say what each column means",
                "- `results/`: every estimate, the checks of the fit, and `posterior.nc`, its "
                "draws; `settings.toml`: how things were reckoned",
                "- `report/index.html`: the report of these records",
                "- `privacy/small_cells.csv`: how many colonies look alike",
                "- `environment/`: versions, and the lock with a hash for each package",
                "- `SHA256SUMS`, `CITATION.cff`, `LICENSE.txt`, `ro-crate-metadata.json`, and "
                "`published_at.txt`, the only file without a checksum",
            )
        ),
        "## What is not in it",
        "\n".join(f"- {item.format(cold_k=facts.cold_k)}" for item in WITHHELD),
        "So conductances, degree-days and the ledger of stores cannot be reckoned anew from it; "
        "insulation levels, all counts and every estimate can.",
        "## Who could be recognised",
        "\n".join(_privacy(facts)),
        f"Every colony-winter looks like at least {facts.k - 1} others in each of these views. "
        "Somebody who knows of a colony how many stood with it, the dates of its records and how "
        f"strong it was, and picks among those alike, is right at most {bound:.0f} times in 100. "
        f"{facts.n_left_out} colony-winters were left out because too few looked like them.",
        "This does not hold against somebody who knows more: the weighings or mite counts of a "
        "colony (most are unique), several views together, whether the colony died, or a whole "
        "apiary through all winters "
        f"({facts.n_alone} apiaries here equal no other in their sizes over the winters). "
        "Nearly all colonies that look alike may belong to one apiary: whoever finds which they "
        "are may then know the apiary. "
        + SAW_OPENING.format(few=facts.n_by_opening, all=f"{facts.n_units:,}")
        + " Do not try to find out whose colonies these are.",
        "## Licence",
        f"{facts.licence.title} (`{facts.licence.name}`), {facts.licence.url}. "
        f"{facts.licence.asks} Cite as `CITATION.cff` says.",
    ]
    return "\n\n".join(parts) + "\n"


def _quoted(text: str) -> str:
    return json.dumps(" ".join(text.split()), ensure_ascii=False)  # JSON text is YAML text


def citation(facts: Facts) -> str:
    """Write ``CITATION.cff``."""
    lines = [
        "cff-version: 1.2.0",
        'message: "If you use these records or what was found in them, please cite them so."',
        "type: dataset",
        f"title: {_quoted(facts.settings.study.name)}",
        "authors:",
        f"  - name: {_quoted(facts.association)}",
        f"date-released: {_quoted(facts.finding_on)}",
        f"license: {facts.licence.name}",
    ]
    if facts.settings.study.is_invented:
        lines.append(f"abstract: {_quoted(INVENTED)}")
    return "\n".join(lines) + "\n"


def licence_text(facts: Facts) -> str:
    """Write ``LICENSE.txt``."""
    return (
        f"{facts.settings.study.name}\n{facts.association}\n\n"
        f"{facts.licence.title} ({facts.licence.name})\n{facts.licence.url}\n\n"
        f"{facts.licence.asks}\n"
    )


def crate(facts: Facts, names: list[str]) -> dict[str, Any]:
    """Describe the bundle as a research object.

    Parameters
    ----------
    facts : Facts
    names : list of str
        All files but the description itself.
    """
    description = "Pseudonymous winter records of honey-bee colonies, the model fitted to them, "
    description += "and what they say of hive insulation."
    if facts.settings.study.is_invented:
        description += f" {INVENTED}"
    entities: list[dict[str, Any]] = [
        {
            "@id": CRATE,
            "@type": "CreativeWork",
            "conformsTo": {"@id": "https://w3id.org/ro/crate/1.1"},
            "about": {"@id": "./"},
        },
        {
            "@id": "./",
            "@type": "Dataset",
            "name": facts.settings.study.name,
            "description": description,
            "datePublished": facts.finding_on,
            "license": {"@id": facts.licence.url},
            "author": {"@id": "#association"},
            "hasPart": [{"@id": name} for name in names],
        },
        {"@id": "#association", "@type": "Organization", "name": facts.association},
        {
            "@id": facts.licence.url,
            "@type": "CreativeWork",
            "name": facts.licence.title,
            "description": facts.licence.asks,
        },
        {
            "@id": "#winterpool",
            "@type": "SoftwareApplication",
            "name": "Winterpool",
            "version": facts.versions["winterpool"],
        },
        {
            "@id": "#fit",
            "@type": "CreateAction",
            "name": "Fit of the published records",
            "instrument": {"@id": "#winterpool"},
            "object": [{"@id": n} for n in names if n.startswith("data/")],
            "result": [{"@id": n} for n in names if n.startswith(("results/", "report/"))],
        },
    ]
    for name in names:
        kind = FORMATS.get(Path(name).suffix, "text/plain")
        entities.append({"@id": name, "@type": "File", "name": name, "encodingFormat": kind})
    return {"@context": "https://w3id.org/ro/crate/1.1/context", "@graph": entities}


def write_about(folder: Path, facts: Facts) -> None:
    """Write README, citation, licence and the crate's description; all else must be there."""
    for name, text in (
        ("README.md", readme(facts)),
        ("CITATION.cff", citation(facts)),
        ("LICENSE.txt", licence_text(facts)),
    ):
        (folder / name).write_text(text, encoding="utf-8", newline="\n")
    names = sorted({*bundle_files(folder), SUMS, WHEN} - {CRATE})
    write_json(folder / CRATE, crate(facts, names))
