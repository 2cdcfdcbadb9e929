"""Standard deviation against level: from a table to an account."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stanch.errors import InputError, UsageError
from stanch.verify.groups import ordered
from stanch.verify.precision import _choose, _show, _words
from stanch.verify.precision.components import ERROR
from stanch.verify.precision.nested import centred, nested_anova
from stanch.verify.records import (
    Account,
    Band,
    Bounded,
    Cell,
    Column,
    Definition,
    Grid,
    Line,
    Picture,
    Points,
    Verdict,
)
from stanch.verify.scales import MARKS, thinned
from stanch.verify.table import Table
from stanch.verify.variance_function import VarianceFunction, fit_variance_function

Floats = NDArray[np.float64]
VARIANCE_FUNCTION = Definition(
    "variance function",
    "Standard deviation as a function of the level x: constant a; proportional b x; both, sqrt(a² + (b x)²); or the "
    "power c (x/centre)^p. Fitted by the likelihood of the standard deviations with their degrees of freedom.",
    "Davidian M, Carroll RJ. J Am Stat Assoc 82:1079-1091 (1987), from memory",
)


def levels(table: Table, question: str, settings: Mapping[str, Any]) -> Account:
    """The variance function of the standard deviation asked for."""
    _choose.need(settings, "level")
    result, lab, inner = settings["result"], settings["laboratory"], tuple(settings["factors"])
    which, unit = settings["which"], settings["unit"]
    _choose.unused_limits((which,), settings)
    columns = [c for c in (lab, *inner) if c]
    if which == _words.INTERMEDIATE and not inner:
        raise UsageError("option --which", got=which, allowed="with --factors", do="Name the factors.")
    if which == _words.REPRODUCIBILITY and not lab:
        raise UsageError("option --which", got=which, allowed="with --laboratory", do="Name the column.")
    used = _choose.taken(table, (result,), (*columns, settings["level"]), settings)
    names, mean, sd, df, dropped = _by_level(used.numbers[result], used.labels, columns, settings)
    by_mean = np.argsort(mean, kind="stable")
    names, mean, sd, df = names[by_mean], mean[by_mean], sd[by_mean], df[by_mean]
    found = fit_variance_function(mean, sd, df, form=settings["form"])
    probability = settings["confidence"]
    verdicts = _verdicts(found, which, settings)
    shown = slice(0, 200)
    rows: list[tuple[Cell, ...]] = [
        (str(n), float(m), float(s), float(d), found.interval(float(m), probability=probability, unit=unit))
        for n, m, s, d in zip(names[shown], mean[shown], sd[shown], df[shown], strict=True)
    ]
    more = f" The first 200 of {names.size} levels are listed." if names.size > 200 else ""
    grid = Grid(
        "Standard deviation by level",
        (
            Column("level"),
            Column("mean", unit),
            Column(f"{which} SD", unit),
            Column("degrees of freedom"),
            Column("fitted SD", unit),
        ),
        tuple(rows),
        f"{found.rule}{more}",
    )
    fits = Grid(
        "Forms that were fitted",
        (Column("form"), Column("deviance"), Column("why not fitted")),
        (
            *((name, d, "") for name, d in found.deviances.items()),
            *((name, None, why) for name, why in found.refused.items()),
        ),
        "Differences of deviance count; each is minus twice the log likelihood up to a common constant.",
    )
    warnings = []
    if dropped:
        warnings.append(f"{dropped} levels without repeated results were left out.")
    if found.lack_p is not None and found.lack_p < 0.05:
        warnings.append(
            f"The standard deviations scatter about the form {found.form} more than chance would have it "
            f"(p = {found.lack_p:.2g}); do not use it between levels without looking at the picture."
        )
    words = [which, *([] if which == _words.REPEATABILITY else [_words.REPEATABILITY, "moments"]), "satterthwaite"]
    return Account(
        protocol="precision",
        title="Standard deviation against level",
        question=question,
        design=(
            f"{names.size} levels, {used.numbers[result].size} results; {which} standard deviation at each.",
            "Factors within a level: " + (" / ".join(columns) or "none, plain replicates") + ".",
            found.rule,
        ),
        data=used.data,
        verdicts=tuple(verdicts),
        grids=(grid, fits),
        pictures=(_picture(found, mean, sd, which, settings),),
        definitions=(VARIANCE_FUNCTION, *(_words.SOURCES[w] for w in words)),
        settings=dict(settings),
        numbers={
            "form": found.form,
            "parameters": found.parameters,
            "deviances": found.deviances,
            "lack_of_fit": found.lack_of_fit,
            "lack_df": found.lack_df,
            "lack_p": found.lack_p,
            "levels": [
                {"level": str(n), "mean": float(m), "sd": float(s), "df": float(d)}
                for n, m, s, d in zip(names[:MARKS], mean[:MARKS], sd[:MARKS], df[:MARKS], strict=True)
            ],
            "level_count": int(names.size),
        },
        warnings=tuple(warnings),
    )


def _by_level(
    values: Floats, labels: Mapping[str, NDArray[np.str_]], columns: list[str], settings: Mapping[str, Any]
) -> tuple[NDArray[np.str_], Floats, Floats, Floats, int]:
    names, place = ordered(labels[settings["level"]])
    if not columns:
        # Without factors all levels at once, so that each of very many samples may be a level.
        count = np.bincount(place)
        z, centre, size = centred(values)
        mean = np.bincount(place, z) / count
        ss = np.bincount(place, (z - mean[place]) ** 2)
        keep = count > 1
        if not keep.any():
            raise InputError("levels", got="no level with repeated results", allowed="two or more results at a level")
        df = (count - 1)[keep].astype(np.float64)
        return names[keep], mean[keep] * size + centre, size * np.sqrt(ss[keep] / df), df, int((~keep).sum())
    means, sds, dfs = [], [], []
    order = np.argsort(place, kind="stable")
    for rows in np.split(order, np.cumsum(np.bincount(place))[:-1]):
        analysis = nested_anova(values[rows], {c: labels[c][rows] for c in columns}, reml=False)
        parts = {
            _words.REPEATABILITY: (ERROR,),
            _words.INTERMEDIATE: (*settings["factors"], ERROR),
            _words.REPRODUCIBILITY: analysis.names,
        }[settings["which"]]
        total = analysis.total(parts)
        means.append(analysis.mean)
        sds.append(total.variance**0.5)
        dfs.append(total.df if total.df is not None else float(analysis[ERROR].df))
    return names, np.array(means), np.array(sds), np.array(dfs), 0


def _verdicts(found: VarianceFunction, which: str, settings: Mapping[str, Any]) -> list[Verdict]:
    """The fitted function against the limits at both ends of the levels tested."""
    verdicts = []
    sd_limit, cv_limit = settings[f"allowed_{which}_sd"], settings[f"allowed_{which}_cv"]
    for x in (found.low, found.high):
        fitted = found.interval(x, probability=settings["confidence"], unit=settings["unit"])
        at = f"level {x:.4g} {settings['unit']}".strip()
        if sd_limit is not None:
            verdicts.append(_show.verdict(f"fitted {which} SD", at, fitted, sd_limit, settings["unit"]))
        if cv_limit is not None:
            if x > 0:
                value, low, high = (None if v is None else v / x for v in (fitted.value, fitted.low, fitted.high))
                cv = _show.percent(Bounded(value, low, high, "1", fitted.level, fitted.why))
            else:
                cv = Bounded.missing("The level is not above zero.", "%")
            verdicts.append(_show.verdict(f"fitted {which} CV", at, cv, cv_limit, "%"))
        if sd_limit is None and cv_limit is None:
            rule = "State a limit to have it judged."
            verdicts.append(
                Verdict(f"The fitted {which} SD at {at} is small enough", fitted, "", "no limit stated", rule)
            )
    return verdicts


def _picture(found: VarianceFunction, mean: Floats, sd: Floats, which: str, settings: Mapping[str, Any]) -> Picture:
    unit = settings["unit"] or "-"
    low, high = found.low, found.high
    wide = low > 0 and high > 10 * low
    grid = np.geomspace(low, high, 81) if wide else np.linspace(low, high, 81)
    ends = [found.interval(float(x), probability=settings["confidence"]) for x in grid]
    x, y = thinned(mean, sd, most=MARKS)
    line = tuple(float(v) for v in found.sd_at(grid))
    layers: list[Points | Line | Band] = [Points(x, y, "levels", faint=mean.size > 50)]
    if all(e.low is not None and e.high is not None for e in ends):
        layers.insert(
            0, Band(tuple(grid.tolist()), tuple(e.low or 0.0 for e in ends), tuple(e.high or 0.0 for e in ends))
        )
    layers.append(Line(tuple(grid.tolist()), line, found.form, series=1))
    few = f" {MARKS} of {mean.size} levels are drawn." if mean.size > MARKS else ""
    # A zero has no place on a logarithmic axis.
    steep = wide and bool((sd > 0).all()) and min(line) > 0
    return Picture(
        f"{which.capitalize()} SD against level",
        f"mean [{unit}]",
        f"{which} SD [{unit}]",
        tuple(layers),
        caption=f"Marks are the standard deviations found, the line the fitted form with its interval.{few}",
        alt=f"{mean.size} levels from {low:.4g} to {high:.4g}; SD {line[0]:.3g} at the lowest, {line[-1]:.3g} at the "
        f"highest level; form {found.form}.",
        x_scale="log" if wide else "linear",
        y_scale="log" if steep else "linear",
    )
