"""New against old reagent lot."""

from stanch.verify.lots.pairs import LotChange, lot_change

__all__ = ["LotChange", "lot_change"]
