"""The lots protocol: from a table to an account."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stanch.errors import InputError
from stanch.verify.groups import named_groups
from stanch.verify.lots.pairs import LotChange, differences, lot_change
from stanch.verify.lots.power import paired_power, pairs_needed
from stanch.verify.multiplicity import holm
from stanch.verify.protocol import Option, Protocol
from stanch.verify.records import (
    Account,
    Bounded,
    Cell,
    Column,
    Definition,
    Grid,
    Level,
    Outcome,
    Picture,
    Points,
    Rows,
    Verdict,
)
from stanch.verify.scales import MARKS, thinned
from stanch.verify.table import Table, Taken, take

__all__ = ["PROTOCOL"]

Floats = NDArray[np.float64]
QUESTION = "Does a new reagent lot read like the old one?"
SCALES = {"difference": "differences", "ratio": "ratios", "percent": "percentages"}
TREATMENT = {
    "refuse": "A difference needs two numbers: bounds are refused; --censored leave-out leaves such pairs out.",
    "leave-out": "Pairs with a bound are left out and counted; the comparison then says nothing on that range.",
}
DEFINITIONS = (
    Definition(
        "equivalence",
        "Both one-sided tests at alpha reject; the same as the 1 − 2 alpha interval inside the limits. Limits of a "
        "ratio are symmetric on the logarithm's scale.",
        "Schuirmann DJ. J Pharmacokinet Biopharm 15:657-680 (1987), from memory",
    ),
    Definition(
        "signed-rank shift",
        "Median of the means of all pairs of differences (Hodges-Lehmann), its interval from the signed ranks.",
        "Hodges JL, Lehmann EL. Ann Math Statist 34:598-611 (1963), from memory",
    ),
    Definition(
        "trend across level",
        "Kendall's rank correlation of the differences with the mean of both lots, and the mean difference by thirds; "
        "no line is fitted.",
        "Kendall MG. Biometrika 30:81-93 (1938), from memory",
    ),
    Definition(
        "power",
        "Probability of showing equivalence with the scatter found and no true difference, exact for t tests.",
        "Phillips KF. J Pharmacokinet Biopharm 18:137-144 (1990), from memory",
    ),
)


def _run(table: Table, **s: Any) -> Account:
    labels = [s["group"]] if s["group"] else []
    taken = take(
        table,
        numbers=(s["old"], s["new"]),
        labels=labels,
        censored="drop" if s["censored"] == "leave-out" else "refuse",
        treatment=TREATMENT[s["censored"]],
    )
    x, y = taken.numbers[s["old"]], taken.numbers[s["new"]]
    names, index = named_groups(taken, s["group"], alone="new lot")
    found: dict[str, LotChange] = {}
    order = np.argsort(index, kind="stable")
    for name, rows in zip(names, np.split(order, np.cumsum(np.bincount(index))[:-1]), strict=True):
        if rows.size < 2:
            raise InputError(
                f"lot change {name}",
                got=f"{rows.size} pair",
                allowed="at least 2 pairs",
                do="Leave it out of the table.",
            )
        found[str(name)] = lot_change(
            x[rows],
            y[rows],
            allowed=s["allowed"],
            alpha=s["alpha"],
            unit=s["unit"],
            scale=s["scale"],
            percent_of=s["percent_of"],
            method=s["method"],
        )
    return _account(taken, x, y, index, found, s)


def _outcomes(found: dict[str, LotChange], s: dict[str, Any]) -> tuple[dict[str, Outcome], dict[str, float | None]]:
    p = {name: f.p_equivalence for name, f in found.items()}
    states: dict[str, Outcome] = {name: f.outcome for name, f in found.items()}
    if s["adjust"] == "holm" and all(v is not None for v in p.values()):
        p = dict(zip(p, holm([float(v) for v in p.values() if v is not None]), strict=True))
        for name, v in p.items():
            if states[name] == "met" and v is not None and v > s["alpha"]:
                states[name] = "undecided"
    return states, p


def _account(
    taken: Taken, x: Floats, y: Floats, index: NDArray[np.intp], found: dict[str, LotChange], s: dict[str, Any]
) -> Account:
    states, p = _outcomes(found, s)
    several = len(found) > 1
    what = "Hodges-Lehmann shift" if s["method"] == "signed-rank" else "mean difference"
    if s["scale"] == "ratio":
        what = "Hodges-Lehmann ratio" if s["method"] == "signed-rank" else "geometric mean ratio"
    rule = f"Met when the whole {100 * (1 - 2 * s['alpha']):g} % interval of the {what} lies inside the limits"
    if s["adjust"] == "holm":
        rule += f" and the p value adjusted after Holm over {len(found)} lot changes is at most {s['alpha']:g}"
    verdicts = []
    for name, f in found.items():
        assert f.deciding is not None
        claim = "The new lot reads like the old one" + (f", {name}" if several else "")
        verdicts.append(Verdict(claim, f.deciding, _allowed(s, what), states[name], rule + "."))
    family = (
        "Each lot change is a decision of its own: no adjustment for their number."
        if s["adjust"] == "none"
        else "Equivalence is claimed for all lot changes together (Holm)."
    )
    method = "signed ranks" if s["method"] == "signed-rank" else "two one-sided t tests"
    numbers = {name: _numbers(f, states[name], p[name], s) for name, f in found.items()}
    return Account(
        protocol="lots",
        title="Change of reagent lot",
        question=QUESTION,
        design=(
            f"{x.size} samples, each measured with both lots" + (f", in {len(found)} lot changes." if several else "."),
            f"Paired equivalence by {method}, on the scale of {SCALES[s['scale']]}"
            + (f" of the {s['percent_of']}." if s["scale"] == "percent" else "."),
            *((family,) if several else ()),
        ),
        data=taken.data,
        verdicts=tuple(verdicts),
        grids=(_main_grid(found, states, p, s), _trend_grid(found, s), _size_grid(found, s)),
        pictures=_pictures(x, y, index, found, s),
        definitions=DEFINITIONS,
        settings=s,
        numbers={**(next(iter(numbers.values())) if not several else {}), "groups": numbers},
        warnings=_warnings(found),
    )


def _unit(s: dict[str, Any]) -> str:
    return str({"ratio": "1", "percent": "%"}.get(s["scale"], s["unit"]))


def _allowed(s: dict[str, Any], what: str) -> str:
    edge = s["allowed"]
    if edge is None:
        return ""
    if s["scale"] == "ratio":
        return f"{what} within 1/{edge:g} to {edge:g}"
    return f"{what} within ±{abs(edge):g} {_unit(s)}".strip()


def _numbers(f: LotChange, state: Outcome, p: float | None, s: dict[str, Any]) -> dict[str, Any]:
    trend = f.trend
    return {
        "n": f.n,
        "difference": f.difference,
        "deciding_difference": f.deciding,
        "sd": f.sd,
        "se": f.equivalence.se,
        "df": f.equivalence.df,
        "t": f.t,
        "p": f.p,
        "p_equivalence": f.p_equivalence,
        "p_equivalence_adjusted": p if s["adjust"] == "holm" else None,
        "outcome": state,
        "tau": None if trend is None else trend.tau,
        "p_trend": None if trend is None else trend.p,
        "thirds": [] if trend is None else list(trend.thirds),
        "power": _power(f, s),
        "pairs_needed": _needed(f, s),
    }


def _working(s: dict[str, Any]) -> float:
    return math.log(s["allowed"]) if s["scale"] == "ratio" else abs(float(s["allowed"]))


def _power(f: LotChange, s: dict[str, Any]) -> float | None:
    if s["allowed"] is None or f.sd <= 0:
        return None
    return paired_power(f.n, f.sd, _working(s), alpha=s["alpha"])


def _needed(f: LotChange, s: dict[str, Any]) -> int | None:
    if s["allowed"] is None or f.sd <= 0:
        return None
    return pairs_needed(f.sd, _working(s), power=s["power"], alpha=s["alpha"])


def _main_grid(
    found: dict[str, LotChange], states: dict[str, Outcome], p: dict[str, float | None], s: dict[str, Any]
) -> Grid:
    unit = _unit(s)
    columns = (
        Column("lot change"),
        Column("samples"),
        Column("mean difference, new − old" if s["scale"] != "ratio" else "mean ratio, new/old", unit),
        Column("number that decides", unit),
        Column("p of equivalence"),
        Column("outcome"),
    )
    rows = tuple((name, f.n, f.difference, f.deciding, p[name], states[name]) for name, f in found.items())
    note = f"The mean with its 95 %, the number that decides with its {100 * (1 - 2 * s['alpha']):g} % interval."
    return Grid("Lot change", columns, rows, note)


def _trend_grid(found: dict[str, LotChange], s: dict[str, Any]) -> Grid:
    columns = (
        Column("lot change"),
        Column("rank correlation with level"),
        Column("p"),
        *(Column(f"{which} third", _unit(s)) for which in ("lowest", "middle", "highest")),
    )
    rows: list[tuple[Cell, ...]] = []
    for name, f in found.items():
        assert f.trend is not None
        rows.append((name, f.trend.tau, f.trend.p, *(f.trend.thirds or (None, None, None))))
    return Grid("Trend across level", columns, tuple(rows), "Thirds by the mean of both lots, from nine samples.")


def _size_grid(found: dict[str, LotChange], s: dict[str, Any]) -> Grid:
    columns = (
        Column("lot change"),
        Column("standard deviation of the differences", "ln" if s["scale"] == "ratio" else _unit(s)),
        Column("p of no difference"),
        Column("samples"),
        Column("power with them"),
        Column("samples needed"),
    )
    rows = tuple((name, f.sd, f.p, f.n, _power(f, s), _needed(f, s)) for name, f in found.items())
    note = (
        f"With the scatter found and no true difference; needed for a power of {s['power']:g}. By t tests."
        if s["allowed"] is not None
        else "Needs an allowed difference."
    )
    return Grid("Scatter and sample size", columns, rows, note)


def _warnings(found: dict[str, LotChange]) -> tuple[str, ...]:
    said = []
    for name, f in found.items():
        if f.sd == 0:
            said.append(
                f"{name}: all differences are equal; the interval has no width, which scatter alone would give."
            )
        if f.trend is not None and f.trend.p is not None and f.trend.p < 0.05:
            said.append(
                f"{name}: the lots differ by level (p = {f.trend.p:.2g}); one mean difference does not tell all."
            )
    return tuple(said)


def _pictures(
    x: Floats, y: Floats, index: NDArray[np.intp], found: dict[str, LotChange], s: dict[str, Any]
) -> tuple[Picture, ...]:
    d = differences(x, y, scale=s["scale"], percent_of=s["percent_of"])
    unit = s["unit"] or "-"
    ratio = s["scale"] == "ratio"
    drawn = np.exp(np.clip(d, -700, 700)) if ratio else d
    layers: list[Any] = []
    per = max(2, MARKS // len(found))
    for i, name in enumerate(list(found)[:8]):
        rows = index == i
        px, py = thinned((x / 2 + y / 2)[rows], drawn[rows], most=per)
        layers.append(Points(px, py, name if len(found) > 1 else "samples", series=i))
    layers.append(Level(1.0 if ratio else 0.0, "no difference", kind="zero"))
    if len(found) == 1:
        f = next(iter(found.values()))
        mean = f.equivalence.difference.value
        assert mean is not None
        for k, label, kind in (
            (0.0, "mean", "mean"),
            (-1.96, "mean − 1.96 SD", "warning"),
            (1.96, "mean + 1.96 SD", "warning"),
        ):
            at = mean + k * f.sd
            layers.append(Level(math.exp(at) if ratio else at, label, kind=kind))  # type: ignore[arg-type]
    layers += _limits(s)
    axis = {"ratio": "new/old [-]", "percent": "new − old [%]"}.get(s["scale"], f"new − old [{unit}]")
    one = next(iter(found.values()))
    assert one.deciding is not None
    shown = "" if one.deciding.value is None else f"{one.deciding.value:.4g} {_unit(s)}"
    more = f" At most {MARKS} marks are drawn." if x.size > MARKS else ""
    more += " The first eight lot changes are drawn." if len(found) > 8 else ""
    pictures = [
        Picture(
            "New minus old lot" if not ratio else "New over old lot",
            f"mean of both lots [{unit}]",
            axis,
            tuple(layers),
            "Each mark is one sample. A trend along the line means that the lots differ by level." + more,
            f"{x.size} samples; {'first lot change: ' if len(found) > 1 else ''}{shown}.",
            y_scale="log" if ratio and drawn.max() > 4 * drawn.min() else "linear",
        )
    ]
    if len(found) > 1:
        pictures.append(_whiskers(found, s, axis))
    return tuple(pictures)


def _limits(s: dict[str, Any], axis: Any = "y") -> list[Level]:
    edge = s["allowed"]
    if edge is None:
        return []
    ends = (1 / edge, edge) if s["scale"] == "ratio" else (-abs(edge), abs(edge))
    return [Level(end, "allowed", axis=axis) for end in ends]


def _whiskers(found: dict[str, LotChange], s: dict[str, Any], axis: str) -> Picture:
    shown = {name: f.deciding or Bounded.missing("none") for name, f in list(found.items())[:60]}
    rows = Rows(
        tuple(shown),
        tuple(b.value for b in shown.values()),
        tuple(b.low for b in shown.values()),
        tuple(b.high for b in shown.values()),
    )
    zero = Level(1.0 if s["scale"] == "ratio" else 0.0, "no difference", axis="x", kind="zero")
    return Picture(
        "Lot changes against the limits",
        axis,
        "lot change [-]",
        (rows, zero, *_limits(s, "x")),
        f"The number that decides with its {100 * (1 - 2 * s['alpha']):g} % interval."
        + (" The first sixty are drawn." if len(found) > 60 else ""),
        f"{len(found)} lot changes, {sum(f.outcome == 'met' for f in found.values())} inside the limits.",
    )


PROTOCOL = Protocol(
    "lots",
    QUESTION,
    "Paired results of both lots, one sample per row.",
    (
        Option("old", "column", "Column with the results of the old lot.", required=True),
        Option("new", "column", "Column with the results of the new lot.", required=True),
        Option("group", "column", "Column that names the lot change, where the table holds several."),
        Option(
            "scale",
            "choice",
            "Scale of the comparison: difference, ratio (on the logarithm) or percent.",
            default="difference",
            choices=("difference", "ratio", "percent"),
        ),
        Option("percent-of", "choice", "What percentages are of.", default="old", choices=("old", "mean")),
        Option(
            "allowed",
            "number",
            "Largest mean difference allowed: in the unit of the results, in % for percent, a ratio above 1 for ratio.",
        ),
        Option(
            "method",
            "choice",
            "Mean with t tests, or Hodges-Lehmann shift with signed ranks.",
            default="t",
            choices=("t", "signed-rank"),
        ),
        Option("alpha", "number", "Error of each one-sided test.", default=0.05),
        Option(
            "adjust",
            "choice",
            "Several lot changes: each a decision of its own, or claimed together after Holm.",
            default="none",
            choices=("none", "holm"),
        ),
        Option("power", "number", "Power for the number of samples needed.", default=0.90),
        Option(
            "censored",
            "choice",
            "Pairs with <x or >x: refuse the table, or leave them out and count them.",
            default="refuse",
            choices=("refuse", "leave-out"),
        ),
        Option("unit", "text", "Unit of the results, as it should be printed.", default=""),
    ),
    _run,
)
