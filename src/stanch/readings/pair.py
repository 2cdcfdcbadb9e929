"""Whether two wells may be compared: they differ in the one stated additive and in nothing else."""

from __future__ import annotations

from stanch.recording.records import Additive, Well

__all__ = ["gone", "pair_problems", "pair_warnings", "share_activator"]


def share_activator(base: Well, other: Well) -> bool:
    """Whether both wells have the same known activator in the same amount, as far as amounts are known."""
    if base.activator is None or base.activator != other.activator:
        return False
    return base.activator_amount is None or other.activator_amount in (None, base.activator_amount)


def pair_problems(base: Well, other: Well, differs_in: str) -> tuple[str, ...]:
    """Everything, beside the additive `differs_in`, in which the two wells differ; one sentence each."""
    problems = []
    if base.activator != other.activator:
        problems.append(
            f"the activator is {_said(base.activator)} in {base.name} and {_said(other.activator)} in {other.name}"
        )
    elif base.activator_amount is not None and other.activator_amount not in (None, base.activator_amount):
        problems.append(f"the amount of {base.activator} is {base.activator_amount} and {other.activator_amount}")
    only = base.additive_names ^ other.additive_names
    if differs_in not in only:
        where = "both wells" if differs_in in base.additive_names else "neither well"
        problems.append(f"{differs_in} is in {where}")
    extra = sorted(only - {differs_in})
    if extra:
        problems.append(f"only one well has {', '.join(extra)}")
    for name in sorted(base.additive_names & other.additive_names):
        mine, yours = _additive(base, name), _additive(other, name)
        if mine.amount is not None and yours.amount not in (None, mine.amount):
            problems.append(f"the amount of {name} is {mine.amount} and {yours.amount}")
    return tuple(problems)


def pair_warnings(base: Well, other: Well) -> tuple[str, ...]:
    """What speaks against a pair without forbidding it: unequal dilution, different lots; one sentence each."""
    warnings = []
    dilutions = [
        w.sample_volume / w.final_volume if w.sample_volume is not None and w.final_volume else None
        for w in (base, other)
    ]
    mine, yours = dilutions
    if mine is not None and yours is not None and abs(mine / yours - 1.0) > 0.005:
        warnings.append(
            f"The sample makes up {100 * mine:.1f} % of {base.name} and {100 * yours:.1f} % of {other.name}: "
            "the wells are not equally diluted."
        )
    if base.activator_lot is not None and other.activator_lot not in (None, base.activator_lot):
        warnings.append(f"The activator lots differ: {base.activator_lot} and {other.activator_lot}.")
    return tuple(warnings)


def gone(well: str, first: float, onset_modulus: float) -> str:
    """Why a clot that was lost before the comparison starts has no retention.

    Parameters
    ----------
    well : str
    first : float
        First clot age [s].
    onset_modulus : float
        [Pa].

    Returns
    -------
    str
    """
    return (
        f"The clot of {well} was below {onset_modulus:g} Pa again at the first clot age of {first / 60:.1f} min, so "
        "there was next to nothing left to be retained; the total retention tells that loss."
    )


def _said(name: str | None) -> str:
    return "unknown" if name is None else name


def _additive(well: Well, name: str) -> Additive:
    return next(a for a in well.additives if a.name == name)
