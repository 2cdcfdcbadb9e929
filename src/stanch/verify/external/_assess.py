"""Assigned values, standard deviations for assessment, and scores."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stanch.errors import InputError, UsageError
from stanch.verify.external.robust import Consensus, consensus
from stanch.verify.external.scores import e_n_score, z_prime_score, z_score, zeta_score
from stanch.verify.scales import grouped
from stanch.verify.table import Taken

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Group:
    """One sample of one round."""

    name: str
    round: str
    sample: str
    rows: NDArray[np.intp]
    assigned: float
    uncertainty: float
    sigma: float
    found: Consensus | None


def groups_of(taken: Taken, s: dict[str, Any]) -> list[Group]:
    """Every sample of every round, in the order of the table."""
    if s["sigma"] is not None and s["sigma_percent"] is not None:
        raise UsageError("option --sigma", got="given with --sigma-percent", allowed="one of both")
    x = taken.numbers[s["result"]]
    rounds = taken.labels[s["round"]] if s["round"] else np.full(x.size, "")
    samples = taken.labels[s["sample"]] if s["sample"] else np.full(x.size, "")
    round_names, r = grouped(rounds)
    sample_names, q = grouped(samples)
    _, key = grouped(r * sample_names.size + q)
    order = np.argsort(key, kind="stable")
    made = []
    for rows in np.split(order, np.cumsum(np.bincount(key))[:-1]):
        round_, sample = str(round_names[r[rows[0]]]), str(sample_names[q[rows[0]]])
        name = ", ".join(v for v in (round_ and f"round {round_}", sample and f"sample {sample}") if v) or "the round"
        made.append(_group(name, round_, sample, rows, taken, s))
    return made


def _group(name: str, round_: str, sample: str, rows: NDArray[np.intp], taken: Taken, s: dict[str, Any]) -> Group:
    x = taken.numbers[s["result"]][rows]
    stated = s["assigned"] is not None or s["assigned_value"] is not None
    found = None
    try:
        found = consensus(x, method=s["consensus"], exact=s["exact_constants"])
    except InputError as refused:
        if not stated or (s["sigma"] is None and s["sigma_percent"] is None):
            raise InputError(
                f"{name}: {refused.where}", got=refused.got, allowed=refused.allowed, do=refused.do
            ) from None
    assigned = _constant(taken, s["assigned"], rows, name, s["assigned_value"])
    uncertainty = _constant(taken, s["assigned_uncertainty"], rows, name, s["assigned_value_uncertainty"])
    if assigned is None:
        assert found is not None
        assigned = found.value
        uncertainty = found.uncertainty if uncertainty is None else uncertainty
    sigma = s["sigma"]
    if s["sigma_percent"] is not None:
        sigma = abs(assigned) * s["sigma_percent"] / 100
    if sigma is None:
        assert found is not None
        sigma = found.sd
    if not sigma > 0:
        raise InputError(
            f"{name}: standard deviation for assessment",
            got=sigma,
            allowed="above 0",
            do="State --sigma or --sigma-percent.",
        )
    return Group(name, round_, sample, rows, float(assigned), float(uncertainty or 0.0), float(sigma), found)


def _constant(
    taken: Taken, column: str | None, rows: NDArray[np.intp], name: str, stated: float | None
) -> float | None:
    if column is None:
        return stated
    if stated is not None:
        raise UsageError(f"column {column}", got="given with a number", allowed="one of both")
    values = taken.numbers[column][rows]
    if values.min() != values.max():
        raise InputError(
            f"column {column}, {name}", got=(values.min(), values.max()), allowed="one value per round and sample"
        )
    return float(values[0])


def scores_of(taken: Taken, groups: list[Group], s: dict[str, Any]) -> dict[str, Floats]:
    """The scores that the columns allow."""
    x = taken.numbers[s["result"]]
    assigned, sigma, u = (np.empty(x.size) for _ in range(3))
    for g in groups:
        assigned[g.rows], sigma[g.rows], u[g.rows] = g.assigned, g.sigma, g.uncertainty
    made = {"z": z_score(x, assigned, sigma)}
    if bool((u > 0).any()):
        made["z-prime"] = z_prime_score(x, assigned, sigma, u)
    if s["uncertainty"]:
        made["zeta"] = zeta_score(x, assigned, taken.numbers[s["uncertainty"]], u)
    if s["expanded"]:
        made["en"] = e_n_score(x, assigned, taken.numbers[s["expanded"]], s["coverage_factor"] * u)
    if s["score"] not in made:
        need = {"z-prime": "an uncertainty of the assigned value", "zeta": "--uncertainty", "en": "--expanded"}[
            s["score"]
        ]
        raise UsageError("option --score", got=s["score"], allowed=f"with {need}", do="Give it or choose z.")
    return made
