"""The invented verification study of ``stanch demo --verify``: which table goes to which protocol, with which limits.

Every limit here is invented, as the data are.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from stanch.verify.records import Account

__all__ = ["STUDY", "Part", "write_study"]

SEED = 20260318


@dataclass(frozen=True)
class Part:
    """One report of the study.

    Parameters
    ----------
    name : str
        Of its files.
    protocol : str
    options : mapping
        By key, as the command line takes them.
    table : str
        Table of the virtual laboratory; empty for a protocol that needs none.
    """

    name: str
    protocol: str
    options: Mapping[str, Any] = field(default_factory=dict)
    table: str = ""


STUDY = (
    Part(
        "01-precision-gel",
        "precision",
        {
            "result": "plateau_pa",
            "factors": ("day", "run"),
            "unit": "Pa",
            "allowed_repeatability_cv": 5.0,
            "allowed_intermediate_cv": 7.0,
        },
        "control_gel_20_days",
    ),
    Part(
        "02-precision-fresh",
        "precision",
        {
            "design": "fresh",
            "result": "plateau_pa",
            "sample": "donor",
            "factors": ("run",),
            "unit": "Pa",
            "bands": 3,
            "allowed_repeatability_cv": 6.0,
            "allowed_intermediate_cv": 7.0,
        },
        "fresh_duplicates",
    ),
    Part(
        "03-precision-platelet-share",
        "precision",
        {
            "design": "contrast",
            "result": "plateau_pa",
            "sample": "donor",
            "well": "well",
            "base": "base",
            "other": "base + blocker",
            "pair": "duplicate",
            "contrast": "share",
            "unit": "Pa",
            "allowed_repeatability_sd": 0.03,
        },
        "pair_duplicates",
    ),
    Part(
        "04-linearity",
        "linearity",
        {
            "level": "assigned_pa",
            "result": "plateau_pa",
            "weights": "proportional",
            "allowed_percent": 5.0,
            "unit": "Pa",
            "level_unit": "Pa",
        },
        "mixing_series",
    ),
    Part(
        "05-detection-of-lysis",
        "detection",
        {
            "design": "lysis",
            "result": "loss_rate_percent_per_min",
            "kind": "lysis",
            "blank": "none",
            "low": "weak",
            "sample": "true_rate_percent_per_min",
            "wanted_rate": 0.25,
            "allowed_offset": 0.02,
            "unit": "%/min",
        },
        "without_and_with_weak_lysis",
    ),
    Part(
        "06-agreement-with-pin",
        "agreement",
        {
            "design": "passing-bablok",
            "x": "pin_amplitude",
            "y": "plateau_pa",
            "amplitude": "x",
            "unit": "Pa",
            "levels": (250.0, 450.0, 800.0),
            "allowed_bias_percent": (10.0,),
        },
        "pin_and_modulus",
    ),
    Part(
        "07-reference-limits",
        "reference-limits",
        {"result": "plateau_pa", "unit": "Pa", "allowed_ratio": 0.2},
        "volunteers",
    ),
    Part(
        "08-control",
        "control",
        {
            "result": "plateau_pa",
            "level": "gel",
            "run": "day",
            "baseline": 40,
            "unit": "Pa",
            "allowed_shift": (3.0, 13.0),
            "allowed_sd": (4.0, 15.0),
        },
        "control_chart",
    ),
    Part("09-control-rules", "control", {"design": "rule-choice", "allowed_error": 15.0, "bias": 1.0, "cv": 3.4}),
    Part(
        "10-lots",
        "lots",
        {"old": "old_lot_min", "new": "new_lot_min", "scale": "ratio", "allowed": 1.06, "unit": "min"},
        "two_lots",
    ),
    Part(
        "11-discrimination",
        "discrimination",
        {
            "truth": "heparin",
            "positive": "yes",
            "reading": ("onset_ratio", "other_ratio"),
            "prevalence": (0.05, 0.3),
            "least_area": 0.85,
        },
        "heparin_known",
    ),
    Part(
        "12-hold",
        "hold",
        {
            "design": "curves",
            "sample": "donor",
            "time": "time_min",
            "modulus": "modulus_pa",
            "time_unit": "min",
            "onset_modulus": 24.0,
            "dwell": 60.0,
            "limits": (350.0,),
            "allowed": 20.0,
        },
        "base_curves",
    ),
    Part(
        "13-interference-haematocrit",
        "interference",
        {
            "design": "dose",
            "dose": "haematocrit_percent",
            "result": "plateau_pa",
            "sample": "donor",
            "reference": 35.0,
            "claim": 45.0,
            "scale": "ratio",
            "allowed": 1.1,
            "along_unit": "%",
            "factor": "haematocrit",
            "unit": "Pa",
        },
        "haematocrit",
    ),
    Part(
        "14-sample-age",
        "interference",
        {
            "design": "stability",
            "time": "hours_from_draw",
            "result": "plateau_pa",
            "sample": "donor",
            "scale": "ratio",
            "allowed": 1.1,
            "reference": 0.25,
            "claim": 3.0,
            "along_unit": "h",
            "factor": "time from draw",
            "unit": "Pa",
        },
        "sample_age",
    ),
    Part(
        "15-budget",
        "budget",
        {
            "name": "input",
            "uncertainty": "standard_uncertainty",
            "shape": "distribution",
            "model": "420 * well_radius**1.7 * density * push_radius**0.15 * push_length**0.12 * temperature**0.8"
            " * repeatability * run",
            "unit": "Pa",
            "allowed_percent": 12.0,
        },
        "budget_inputs",
    ),
    Part(
        "16-budget-from-the-recording",
        "budget",
        {
            "design": "pipeline",
            "well": "base",
            "reading": "plateau",
            "draws": 24,
            "unit": "Pa",
            "allowed_percent": 12.0,
        },
        "budget_settings",
    ),
    Part(
        "17-wells",
        "wells",
        {"result": "plateau_pa", "sample": "sample", "well": "well", "allowed": 1.05, "unit": "Pa"},
        "rotated_wells",
    ),
    Part(
        "18-neutraliser",
        "reagents",
        {
            "design": "neutraliser",
            "dose": "heparin_iu_per_ml",
            "result": "onset_neutralised_min",
            "sample": "donor",
            "allowed": 1.15,
            "wanted": 1.2,
            "dose_unit": "IU/mL",
        },
        "neutraliser_series",
    ),
    Part(
        "19-blocker",
        "reagents",
        {
            "design": "block",
            "base": "base_pa",
            "blocked": "blocked_pa",
            "reference_well": "without_platelets_pa",
            "lot": "lot",
            "least": 0.9,
            "allowed_sd": 0.04,
            "unit": "Pa",
        },
        "blocker_lots",
    ),
    Part(
        "20-contact",
        "reagents",
        {
            "design": "contact",
            "with_factor": "onset_min",
            "blank": "onset_without_tissue_factor_min",
            "least": 10.0,
            "unit": "min",
        },
        "contact_blanks",
    ),
    Part(
        "21-probe",
        "probe",
        {
            "sample": "donor",
            "onset": "onset_min",
            "plateau": "plateau_pa",
            "interval": "push_interval_s",
            "allowed_onset": 1.1,
            "allowed_plateau": 1.1,
        },
        "push_interval",
    ),
    Part(
        "22-quality-round",
        "external",
        {
            "participant": "laboratory",
            "result": "plateau_pa",
            "sample": "gel",
            "own": "laboratory 03",
            "sigma_percent": 6.0,
            "uncertainty": "standard_uncertainty_pa",
            "unit": "Pa",
        },
        "quality_round",
    ),
    Part(
        "23-design-of-a-lot-study", "design", {"for": "lots", "study": "ratio", "sd": 0.045, "allowed": 1.06, "n": 26}
    ),
)


def write_study(
    folder: Path, recording: Path, progress: Callable[[float], object] = lambda _share: None
) -> list[tuple[str, Account]]:
    """Write the tables, run every part from its file, and write reports, JSON and an index.

    Parameters
    ----------
    folder : pathlib.Path
        Made when absent; files of an earlier run are replaced.
    recording : pathlib.Path
        The demo recording, which one budget analyses again and again.
    progress : callable
        Told the share done [-].

    Returns
    -------
    list of (str, Account)
        File name of the report, and its account.
    """
    from stanch.cli.outputs import write_files
    from stanch.report.verification import dumps, index_page, render
    from stanch.verify import protocol
    from stanch.verify.reading import read_table
    from stanch.virtual.laboratory import TABLES, as_csv

    tables = folder / "tables"
    tables.mkdir(parents=True, exist_ok=True)
    write_files([(tables / f"{t.name}.csv", as_csv(t.columns(SEED), t.about)) for t in TABLES], overwrite=True)
    filed: list[tuple[str, Account]] = []
    for k, part in enumerate(STUDY):
        table = read_table(tables / f"{part.table}.csv") if part.table else None
        account = _labelled(protocol(part.protocol)(table, **_completed(part, recording)))
        texts = [(folder / f"{part.name}.html", render(account)), (folder / f"{part.name}.json", dumps(account))]
        write_files(texts, overwrite=True)
        filed.append((f"{part.name}.html", account))
        progress((k + 1) / len(STUDY))
    title = "Verification of the six-well assay (demo data)"
    write_files([(folder / "index.html", index_page(filed, title=title))], overwrite=True)
    return filed


def _completed(part: Part, recording: Path) -> dict[str, Any]:
    """The options of a part, with the model of a budget that rests on the recording."""
    if part.options.get("design") != "pipeline":
        return dict(part.options)
    from stanch.sensitivity import reading_model

    well, reading = part.options["well"], part.options["reading"]
    model = reading_model(recording, reading=reading, well=well)
    return {**part.options, "recording": str(recording), "model": model}


def _labelled(account: Account) -> Account:
    """The account, said to be of invented data also where no table says so."""
    if account.data.demo:
        return account
    notes = (*account.data.notes, "Demo data: what this plan assumes is invented.")
    return replace(account, data=replace(account.data, notes=notes, demo=True))
