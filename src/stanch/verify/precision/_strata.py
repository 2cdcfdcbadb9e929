"""Rows of an analysis of variance from its sums of squares and their expectations."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from stanch.verify.precision.components import Stratum

Floats = NDArray[np.float64]


def strata_of(
    names: Sequence[str],
    df: NDArray[np.intp],
    ss: Floats,
    raw: Floats,
    expected: Floats,
    covariance: Floats,
    from_ss: Floats,
    size: float,
) -> tuple[Stratum, ...]:
    """One row for each component; everything was computed of results divided by `size`."""
    spread = np.einsum("ki,ij,kj->k", from_ss, covariance, from_ss)
    return tuple(
        Stratum(
            name=name,
            df=int(df[k]),
            ss=float(ss[k] * size**2),
            ms=float(ss[k] / df[k] * size**2),
            coefficients=tuple(float(c) for c in expected[k] / df[k]),
            raw=float(raw[k] * size**2),
            variance=float(max(raw[k], 0.0) * size**2),
            se=float(np.sqrt(max(spread[k], 0.0)) * size**2),
        )
        for k, name in enumerate(names)
    )
