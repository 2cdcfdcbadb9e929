"""Processor time and accuracy of one hour of a cascade, against SciPy's stiff solvers on the same reactions.

    python benchmarks/cascade_speed.py
    python benchmarks/cascade_speed.py --random 300

SciPy gets the same rates and the same analytic Jacobian, from NumPy and from the compiled kernels. The error is the
largest difference of thrombin from a solution with a relative tolerance of 1e-10, over its peak. --random solves
cascades of random composition and constants, at three absolute tolerances, and puts thrombin against a tight solution:
every protein missing (15 %) or between 1/10 000 and 30 times normal, every constant times a log-normal factor of
sigma 1.5.
"""

from __future__ import annotations

import argparse
import time
import warnings
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stanch.virtual.blood import contact, tissue_factor
from stanch.virtual.blood.elimination import lists
from stanch.virtual.blood.network import Network
from stanch.virtual.blood.stiff import ATOL, RTOL, Solution, StiffError, solve

Floats = NDArray[np.float64]
HOUR, STEP = 3600.0, 2.0
TISSUE, CONTACT = tissue_factor.network(), contact.network()
CASES: dict[str, tuple[Network, Floats]] = {
    "tissue factor 5 pmol/L": (TISSUE, TISSUE.initial({**tissue_factor.NORMAL, "TF": 5e-9})),
    "contact": (CONTACT, CONTACT.initial({**tissue_factor.NORMAL, **contact.NORMAL})),
}


def timed(job: Callable[[], Any], repeats: int) -> tuple[Any, float]:
    """What it returned and its least processor time [ms]."""
    made, least = job(), np.inf
    for _ in range(repeats):
        begin = time.process_time()
        made = job()
        least = min(least, time.process_time() - begin)
    return made, 1e3 * least


def compiled(network: Network) -> tuple[Callable[[float, Floats], Floats], Callable[[float, Floats], Floats]]:
    """Rates and dense Jacobian from the compiled kernels, in the network's order."""
    from stanch.virtual.blood.stiff_kernel import jacobian, rates

    own, k, n = lists(network), network.constants(), len(network.species)
    y, flow, sorted_out = np.ones(n + 1), np.empty(len(k)), np.empty(n)
    slopes, entries = np.empty(2 * len(k)), np.empty(len(own.columns))
    rows, columns = own.order[np.repeat(np.arange(n), np.diff(own.starts))], own.order[own.columns]

    def rate(t: float, state: Floats) -> Floats:
        y[:n] = state[own.order]
        changes = (own.change_starts, own.change_steps, own.change_sizes)
        rates(y, k, n, own.first, own.second, *changes, flow, sorted_out)
        out = np.empty(n)
        out[own.order] = sorted_out
        return out

    def slope(t: float, state: Floats) -> Floats:
        y[:n] = state[own.order]
        terms = (own.slope_starts, own.slope_slots, own.slope_sizes)
        jacobian(y, k, own.first, own.second, *terms, slopes, entries)
        out = np.zeros((n, n))
        out[rows, columns] = entries
        return out

    return rate, slope


def plain(network: Network) -> tuple[Callable[[float, Floats], Floats], Callable[[float, Floats], Floats]]:
    """Rates and Jacobian in NumPy."""
    k = network.constants()
    return (lambda t, y: network.rates(y, k)), (lambda t, y: network.jacobian(y, k))


def speed(repeats: int) -> None:
    """Print one line per cascade, solver and tolerance."""
    from scipy.integrate import solve_ivp

    print(f"{'cascade':24}{'solver':26}{'rtol':>7}{'ms':>9}{'steps':>7}{'rates':>7}{'LU':>6}  error of thrombin")
    grid = STEP * np.arange(int(HOUR / STEP) + 1)
    for name, (network, start) in CASES.items():
        place = network.index("IIa")
        exact = solve(network, start, duration=HOUR, step=STEP, rtol=1e-10)["IIa"]

        def line(solver: str, rtol: float, spent: float, counts: tuple[object, ...], thrombin: Floats) -> None:
            error = np.abs(thrombin - exact).max() / exact.max()  # noqa: B023
            numbers = "".join(f"{c:>{w}}" for c, w in zip(counts, (7, 7, 6)))
            print(f"{name:24}{solver:26}{rtol:7.0e}{spent:9.2f}{numbers}  {error:.1e}", flush=True)  # noqa: B023

        for rtol in (1e-3, 1e-4, RTOL, 1e-6, 1e-8):
            made, spent = timed(lambda: solve(network, start, duration=HOUR, step=STEP, rtol=rtol), repeats)  # noqa: B023
            line("this package", rtol, spent, (made.steps, made.evaluations, made.factorisations), made["IIa"])
        for kind, functions in (("NumPy", plain(network)), ("compiled", compiled(network))):
            for method in ("LSODA", "BDF", "Radau"):
                rtol = RTOL if method == "Radau" else 0.1 * RTOL
                options: dict[str, Any] = {"jac": functions[1], "rtol": rtol, "atol": ATOL, "t_eval": grid}

                def job() -> Any:
                    return solve_ivp(functions[0], (0.0, HOUR), start, method, **options)  # noqa: B023

                with warnings.catch_warnings():
                    warnings.simplefilter("ignore")
                    other, spent = timed(job, 1)
                line(f"SciPy {method}, {kind}", rtol, spent, ("", other.nfev, other.nlu), other.y[place])


def drawn(seed: int) -> tuple[Network, Floats, Floats]:
    """A random cascade: network, initial concentrations, constants."""
    rng = np.random.default_rng(seed)
    network, start = list(CASES.values())[seed % 2]
    start = start * 10 ** rng.uniform(-4, 1.5, len(start)) * (rng.random(len(start)) < 0.85)
    return network, start, network.constants() * rng.lognormal(0, 1.5, len(network.steps))


def random_cascades(count: int) -> None:
    """Print what becomes of random cascades at three absolute tolerances."""
    print(
        f"{'atol':>7}{'cascades':>10}{'ended in error':>16}{'steps, mean':>13}{'sums, worst':>13}  error of thrombin: ",
        end="",
    )
    print("90 %, 99 %, worst; above 1e-3")
    tight: dict[int, Solution] = {}
    for atol in (1e-12, 1e-15, ATOL):
        errors, steps, sums, failed = [], [], [], 0
        for seed in range(count):
            network, start, k = drawn(seed)
            given: dict[str, Any] = {"duration": HOUR, "step": 10.0, "constants": k}
            try:
                if seed not in tight:
                    tight[seed] = solve(network, start, rtol=1e-8, atol=1e-22, **given)
                made = solve(network, start, atol=atol, **given)
            except StiffError:
                failed += 1
                continue
            # Below 1 fmol/L a peak is no thrombin.
            errors.append(np.abs(made["IIa"] - tight[seed]["IIa"]).max() / max(tight[seed]["IIa"].max(), 1e-12))
            held = made.values @ network.conserved.T
            size = (made.values @ np.abs(network.conserved).T).max(0) + 1e-30
            sums.append(float((np.abs(held - held[0]) / size).max()))
            steps.append(made.steps + made.refused)
        e = np.array(errors)
        shown = ", ".join(f"{v:.1e}" for v in (np.quantile(e, 0.9), np.quantile(e, 0.99), e.max()))
        print(f"{atol:7.0e}{count:10}{failed:16}{np.mean(steps):13.0f}{max(sums):13.1e}  {shown}; {(e > 1e-3).sum()}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--repeats", type=int, default=10)
    parser.add_argument("--random", type=int, default=0, help="how many random cascades; 0 for the timing")
    given = parser.parse_args()
    if given.random:
        random_cascades(given.random)
    else:
        speed(given.repeats)


if __name__ == "__main__":
    main()
