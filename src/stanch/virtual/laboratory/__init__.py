"""A virtual laboratory: the tables of an invented verification study of the six-well assay, with known truth."""

from stanch.virtual.laboratory.tables import TABLES, StudyTable
from stanch.virtual.laboratory.write import as_csv

__all__ = ["TABLES", "StudyTable", "as_csv"]
