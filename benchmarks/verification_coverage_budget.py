"""Do uncertainty budgets hold what they promise?

Random trials are put against exact values where there are any; then, with repeated studies, the share of intervals that
hold the truth: first order with effective degrees of freedom, and random trials with t inputs.

    python benchmarks/verification_coverage_budget.py --runs 2000
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable

import numpy as np
from scipy import integrate, optimize, stats

from stanch.verify.budget import Input, first_order, monte_carlo, parse_model

# Within-run and between-instrument scatter of two averages with few readings each, and a known rectangular part.
DESIGNS = {
    "two means, 4 and 10 readings": ((4, 1.0), (10, 1.0)),
    "two means, 3 and 3 readings": ((3, 1.0), (3, 0.3)),
    "two means, 20 and 5 readings": ((20, 2.0), (5, 0.5)),
}


def total(values: dict[str, object]) -> object:
    """The sum of all inputs."""
    return sum(values.values())  # type: ignore[call-overload]


def sum_of_rectangles(half: tuple[float, ...], p: float) -> float:
    """Exact quantile of a sum of rectangular variables about zero, by its characteristic function."""

    def cdf(x: float) -> float:
        def integrand(t: float) -> float:
            return float(np.prod([np.sinc(h * t / math.pi) for h in half]) * np.sin(t * x) / t)

        value, _ = integrate.quad(integrand, 1e-12, 400, limit=4000)
        return 0.5 + value / math.pi

    return float(optimize.brentq(lambda x: cdf(x) - p, 0.0, sum(half)))


def exact(trials: int) -> None:
    """Print random trials against exact values."""
    root = math.sqrt(3)
    four = [Input(f"x{k}", 0.0, 1.0, shape="rectangular") for k in range(4)]
    wide = [*four[:3], Input("x3", 0.0, 10.0, shape="rectangular")]
    for name, inputs, half in (
        ("four rectangles of u = 1", four, (root,) * 4),
        ("one of them of u = 10", wide, (root, root, root, 10 * root)),
    ):
        made = monte_carlo(total, inputs, trials=trials)["y"]
        print(f"{name}: 97.5 % point {made.high:.5f}, exact {sum_of_rectangles(half, 0.975):.5f}; u {made.u:.5f}")
    formula = parse_model("(100000 + r + a) * (1 + (air - 1.2) * (1 / w - 1 / s)) - 100000")["y"]
    inputs = [
        Input("r", 0.0, 0.05),
        Input("a", 1.234, 0.02),
        Input.within("air", 1.2, 0.1),
        Input.within("w", 8000.0, 1000.0),
        Input.within("s", 8000.0, 50.0),
    ]
    made = monte_carlo(formula, inputs, trials=trials)["y"]
    # Independent factors: E[(1/w - 1/s)^2] in closed form.
    inverse = [(math.log((x.value + h) / (x.value - h)) / (2 * h), 1 / (x.value**2 - h * h)) for x, h in
               ((inputs[3], 1000.0), (inputs[4], 50.0))]  # fmt: skip
    square = inverse[0][1] - 2 * inverse[0][0] * inverse[1][0] + inverse[1][1]
    second = (100_001.234**2 + 0.05**2 + 0.02**2) * 0.1**2 / 3 * square
    first = first_order(formula, inputs)["y"].u
    higher = first_order(formula, inputs, second_order=True)["y"].u
    print(
        f"mass: u {made.u:.6f}, exact {math.sqrt(0.05**2 + 0.02**2 + second):.6f}; "
        f"first order {first:.6f}, second {higher:.6f}"
    )


def coverage(runs: int, seed: int, level: float, trials: int, report: Callable[[str], None] = print) -> dict[str, int]:
    """How many of `runs` intervals hold the truth, by design and method."""
    held: dict[str, int] = {}
    for name, parts in DESIGNS.items():
        rng = np.random.default_rng(seed)
        counts = {"first order": 0, "first order, df cut": 0, "random trials": 0}
        for run in range(runs):
            inputs = [Input.observed(f"x{k}", sd * rng.standard_normal(n)) for k, (n, sd) in enumerate(parts)]
            for method, truncate in (("first order", False), ("first order, df cut", True)):
                one = first_order(total, inputs, level=level, truncate=truncate)["y"]
                counts[method] += abs(one.value) <= one.expanded
            drawn = monte_carlo(total, inputs, level=level, trials=trials, seed=run)["y"]
            counts["random trials"] += drawn.low <= 0 <= drawn.high
        for method, count in counts.items():
            low, high = stats.binomtest(count, runs).proportion_ci(0.95)
            verdict = "consistent" if low <= level <= high else ("too wide" if low > level else "TOO NARROW")
            figures = f"nominal {level:.3f} measured {count / runs:.4f} [{low:.4f}, {high:.4f}]"
            report(f"{name:32s} {method:20s} {figures} {verdict}")
            held[f"{name}, {method}"] = count
    return held


def main() -> None:
    """Print both studies."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--runs", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--level", type=float, default=0.95)
    parser.add_argument("--trials", type=int, default=2000, help="random trials of each interval of the coverage study")
    parser.add_argument("--exact-trials", type=int, default=2_000_000)
    options = parser.parse_args()
    exact(options.exact_trials)
    coverage(options.runs, options.seed, options.level, options.trials)


if __name__ == "__main__":
    main()
