"""Every table of the invented verification study, each from its own stream of random numbers."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from stanch.virtual.laboratory import assay_tables, method_tables

__all__ = ["TABLES", "Columns", "StudyTable"]

Columns = dict[str, list[object]]


@dataclass(frozen=True)
class StudyTable:
    """One table of the study.

    Parameters
    ----------
    name : str
        Of the file, without its ending.
    about : str
        One line on what it holds.
    make : callable
        Takes a random generator and gives the columns.
    """

    name: str
    about: str
    make: Callable[[np.random.Generator], Columns]

    def columns(self, seed: int) -> Columns:
        """The columns; the stream depends on the seed and on the table's own name only.

        Parameters
        ----------
        seed : int
            [-].

        Returns
        -------
        dict of str to list
        """
        return self.make(np.random.default_rng([seed, *self.name.encode()]))


TABLES = (
    StudyTable(
        "control_gel_20_days", "Plateau of a synthetic control gel: 20 days, 2 runs, 2 wells.", method_tables.gel_days
    ),
    StudyTable(
        "fresh_duplicates", "Plateau of the base well: fresh donors, duplicates in two runs.", method_tables.fresh
    ),
    StudyTable("pair_duplicates", "Base and blocked wells of fresh donors, each in duplicate.", method_tables.pairs),
    StudyTable("mixing_series", "Plateau against the share of a strong plasma in a weak one.", method_tables.mixing),
    StudyTable(
        "without_and_with_weak_lysis",
        "Excess loss rates of pairs without lysis and with weak lysis.",
        method_tables.lysis,
    ),
    StudyTable(
        "pin_and_modulus", "Plateau of the base well and amplitude of a torsion pin, same samples.", method_tables.pin
    ),
    StudyTable(
        "volunteers", "Plateau and onset of the base well in 168 invented volunteers.", method_tables.volunteers
    ),
    StudyTable("control_chart", "Two control gels, one run a day; a shift was built in late.", method_tables.chart),
    StudyTable("two_lots", "Onset of the base well with the old and the new activator lot.", method_tables.two_lots),
    StudyTable("heparin_known", "Heparin effect where heparin was measured otherwise.", method_tables.heparin),
    StudyTable("base_curves", "Modulus of the base well against time, 32 donors.", assay_tables.curves),
    StudyTable(
        "haematocrit", "Plateau against haematocrit, made up from each donor's own cells.", assay_tables.haematocrit
    ),
    StudyTable("sample_age", "Plateau against the time from draw.", assay_tables.sample_age),
    StudyTable("rotated_wells", "One sample and one reagent in all six wells, rotated.", assay_tables.rotated),
    StudyTable(
        "neutraliser_series",
        "Onset with and without neutraliser in blood spiked with heparin.",
        assay_tables.neutraliser,
    ),
    StudyTable(
        "blocker_lots", "Base, blocked and platelet-free plateau with two lots of the blocker.", assay_tables.blocker
    ),
    StudyTable("contact_blanks", "Onset with tissue factor and, in the same blood, without.", assay_tables.contact),
    StudyTable("push_interval", "Onset and plateau of one blood at four push intervals.", assay_tables.push_interval),
    StudyTable(
        "quality_round", "Two samples of an invented quality round, 16 laboratories.", method_tables.quality_round
    ),
    StudyTable("budget_inputs", "Relative inputs of a modulus.", method_tables.budget_inputs),
    StudyTable(
        "budget_settings", "Settings of the demo recording and their uncertainty.", method_tables.budget_settings
    ),
)
