"""Pictures of reference values: the histogram with its limits, the quantile plot, groups, the operating curve."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import ArrayLike

from stanch.verify.records import Bars, Bounded, Layer, Level, Line, Picture, Points, Rows
from stanch.verify.reference_limits.limits import Floats, ReferenceLimits
from stanch.verify.reference_limits.transfer import Transference, chance_of_acceptance
from stanch.verify.scales import MARKS, thinned

__all__ = [
    "bars",
    "bins",
    "groups_picture",
    "histogram_picture",
    "operating_picture",
    "quantile_picture",
    "sets_picture",
]


def bars(x: Floats, edges: Floats, label: str = "", series: int = 0, *, density: bool = False) -> Bars:
    """A histogram as data.

    Parameters
    ----------
    x : ndarray, shape (n,)
        [unit].
    edges : ndarray, shape (bin + 1,)
        [unit].
    label : str
    series : int
    density : bool
        Share of the values per bin instead of counts [-].

    Returns
    -------
    Bars
    """
    counts = np.histogram(x, edges)[0].astype(np.float64)
    heights = counts / max(x.size, 1) if density else counts
    return Bars(tuple(edges.tolist()), tuple(heights.tolist()), label, series)


def bins(x: Floats) -> Floats:
    """Edges of a histogram: about twice the cube root of n bins, 8 to 60, over the whole range.

    Parameters
    ----------
    x : ndarray, shape (n,)
        [unit].

    Returns
    -------
    ndarray
        [unit].
    """
    low, high = float(x.min()), float(x.max())
    if low == high:
        half = abs(low) * 0.05 or 0.5
        return np.array([low - half, high + half])
    return np.linspace(low, high, int(np.clip(2 * np.cbrt(x.size), 8, 60)) + 1)


def histogram_picture(x: Floats, found: ReferenceLimits, unit: str) -> Picture:
    """Reference values with the limits and the interval of each.

    Parameters
    ----------
    x : ndarray, shape (n,)
        [unit].
    found : ReferenceLimits
    unit : str

    Returns
    -------
    Picture
    """
    made = bars(x, bins(x), "people")
    layers: list[Layer] = [made]
    top = max(made.heights) or 1.0
    said = []
    labelled = False
    for which, limit in (("lower", found.lower), ("upper", found.upper)):
        if limit is None or limit.value is None:
            continue
        layers.append(Level(limit.value, f"{which} limit", axis="x"))
        said.append(f"{which} limit {limit.value:.4g} {unit}".strip())
        if limit.low is not None and limit.high is not None:
            label = "" if labelled else f"{100 * limit.level:g} % interval of a limit"
            labelled = True
            layers.append(Line((limit.low, limit.high), (0.06 * top, 0.06 * top), label, 1))
    return Picture(
        "Reference values",
        f"result [{unit or '-'}]",
        "people",
        tuple(layers),
        caption="Histogram of the values in use. Upright lines are the limits, the short level lines at their foot the "
        "intervals of the limits.",
        alt=f"Histogram of {found.n} reference values; {', '.join(said) or 'no limit could be had'}.",
    )


def quantile_picture(z: Floats, mean: float, sd: float, scale_label: str) -> Picture:
    """Ordered values, on the scale the limits were computed on, against quantiles of a normal distribution.

    Parameters
    ----------
    z : ndarray, shape (n,)
        [-].
    mean, sd : float
        Of the line [-].
    scale_label : str

    Returns
    -------
    Picture
    """
    from scipy import special

    ordered = np.sort(z)
    n = ordered.size
    theory = special.ndtri((np.arange(1, n + 1) - 0.375) / (n + 0.25))
    x, y = thinned(theory, ordered)
    ends = float(theory[0]), float(theory[-1])
    correlation = float(np.corrcoef(theory, ordered)[0, 1])
    thin = f" {MARKS} of {n} marks are drawn." if n > MARKS else ""
    return Picture(
        "Values against a normal distribution",
        "quantile of a normal distribution [standard deviations]",
        scale_label,
        (
            Points(x, y, "people"),
            Line(ends, (mean + sd * ends[0], mean + sd * ends[1]), "mean and standard deviation", 1),
        ),
        caption="Marks along the line speak for a normal distribution on this scale; ends that bend away from it make "
        f"limits by mean and standard deviation wrong.{thin}",
        alt=f"Correlation of the ordered values with normal quantiles: {correlation:.4f}.",
    )


def groups_picture(groups: Mapping[str, ReferenceLimits], everyone: ReferenceLimits, unit: str) -> Picture:
    """Limits of each group and of all together as rows.

    Parameters
    ----------
    groups : mapping of str to ReferenceLimits
    everyone : ReferenceLimits
    unit : str

    Returns
    -------
    Picture
    """
    rows: list[tuple[str, Bounded]] = []
    for name, found in {**groups, "all": everyone}.items():
        for which, limit in (("lower", found.lower), ("upper", found.upper)):
            if limit is not None:
                rows.append((f"{name}, {which}", limit))
    layers: list[Layer] = [
        Rows(
            tuple(name for name, _ in rows),
            tuple(limit.value for _, limit in rows),
            tuple(limit.low for _, limit in rows),
            tuple(limit.high for _, limit in rows),
        )
    ]
    for limit in (everyone.lower, everyone.upper):
        if limit is not None and limit.value is not None:
            layers.append(Level(limit.value, "all together", axis="x", kind="mean"))
    return Picture(
        "Limits by group",
        f"limit [{unit or '-'}]",
        "",
        tuple(layers),
        caption="Each row is a limit with its interval; upright lines are the limits of all together. Limits that "
        "differ by less than their intervals do not by themselves speak for separate limits.",
        alt=f"Limits of {len(groups)} groups beside those of all together.",
    )


def sets_picture(
    sets: tuple[Floats, ...], lower: float | None, upper: float | None, unit: str, bounds: int = 0
) -> Picture:
    """Values of the check against the limits to be taken over.

    Parameters
    ----------
    sets : tuple of ndarray
        [unit].
    lower, upper : float or None
        [unit].
    unit : str
    bounds : int
        How many of the values are bounds.

    Returns
    -------
    Picture
    """
    layers: list[Layer] = []
    start = 1
    outside = 0
    for k, x in enumerate(sets):
        place, value = thinned(np.arange(start, start + x.size, dtype=np.float64), x)
        layers.append(Points(place, value, ("first set", "second set")[k], k))
        start += x.size
        outside += int(((x < (-np.inf if lower is None else lower)) | (x > (np.inf if upper is None else upper))).sum())
    layers += [
        Level(v, f"{name} limit to be taken over") for name, v in (("lower", lower), ("upper", upper)) if v is not None
    ]
    drawn = f" {bounds} values are drawn at their bounds." if bounds else ""
    return Picture(
        "Own reference individuals",
        "reference individual, in the order of the table",
        f"result [{unit or '-'}]",
        tuple(layers),
        caption=f"Each mark is one person against the limits from elsewhere.{drawn}",
        alt=f"{outside} of {start - 1} marks lie outside the limits.",
    )


def operating_picture(found: Transference, coverage: float) -> Picture:
    """Probability of acceptance against the true share outside.

    Parameters
    ----------
    found : Transference
    coverage : float
        Of the limits [-].

    Returns
    -------
    Picture
    """
    share = np.linspace(0.0, 0.5, 201)
    n = found.n[0]
    most, again = min(found.most, n), min(found.again, n)
    once = chance_of_acceptance(share, n=n, most=most)
    twice = chance_of_acceptance(share, n=n, most=most, again=again)
    meant = 1 - coverage
    at: ArrayLike = [meant]
    return Picture(
        "What the check can see",
        "true share of people outside the limits [%]",
        "probability of acceptance [%]",
        (
            Line(tuple((100 * share).tolist()), tuple((100 * once).tolist()), "one set"),
            Line(tuple((100 * share).tolist()), tuple((100 * twice).tolist()), "with a second set", 1),
            Level(100 * meant, "share that is meant", axis="x"),
        ),
        caption=f"Exact probability that limits are accepted, for sets of {n} with at most {most} outside. Where the "
        "curve is still high, unsuitable limits will mostly be accepted.",
        alt=f"At {100 * meant:.1f} % outside, one set accepts with probability "
        f"{100 * (float(chance_of_acceptance(at, n=n, most=most)[0])):.1f} %.",
    )
