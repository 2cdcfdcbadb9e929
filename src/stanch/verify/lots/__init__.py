"""New against old reagent lot."""

from stanch.verify.lots.pairs import LotChange, Trend, differences, lot_change
from stanch.verify.lots.power import paired_power, pairs_needed
from stanch.verify.lots.rank import RankShift, rank_shift
from stanch.verify.multiplicity import holm

__all__ = [
    "LotChange",
    "RankShift",
    "Trend",
    "differences",
    "holm",
    "lot_change",
    "paired_power",
    "pairs_needed",
    "rank_shift",
]
