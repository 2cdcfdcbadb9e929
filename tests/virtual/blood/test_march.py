"""The compiled march against SciPy's solver of the same equations, written again here."""

import numpy as np
import pytest

from stanch.virtual.blood.choices import Choices
from stanch.virtual.blood.clot import drive_of
from stanch.virtual.blood.march import ROWS, Drive, march
from stanch.virtual.blood.records import Composition, Contents

STEP, COUNT = 2.0, 1501
TIME = STEP * np.arange(COUNT)


def pulse(peak: float, at: float) -> np.ndarray:
    """Thrombin that rises with the fourth power and falls exponentially [mol/m^3]."""
    x = TIME / at
    return peak * x**4 * np.exp(4 * (1 - x))


def solved(enzyme: np.ndarray, iia: np.ndarray, pull: float, d: Drive) -> np.ndarray:
    """The rates in plain Python, by an implicit solver with tight tolerances."""
    from scipy.integrate import solve_ivp

    whole = d.fibrinogen

    def rates(t: float, y: np.ndarray) -> np.ndarray:
        f, pol, second, net, xiii, links, act, lag, con, ret, pg, pn, ap, log_kept, am = y
        e, thr = np.interp(t, TIME, enzyme), np.interp(t, TIME, iia)
        cut = whole - f
        beyond = max(pol / whole - d.gel_share, 0.0) / (1 - d.gel_share)
        share = second / pol if pol > 1e-300 else 0.0
        speed = d.network_rate * (d.first_fibrin_rate + (1 - d.first_fibrin_rate) * share)
        hill = (max(thr, 0.0) / d.half_thrombin) ** d.hill
        kept = np.exp(log_kept)
        fibrin = pol * kept
        held = fibrin / (fibrin + d.tpa_dissociation)
        made = pg * (d.on_fibrin * held / (d.on_fibrin_michaelis + pg))
        made += pg * (d.in_liquid * (1 - held) / (d.in_liquid_michaelis + pg))
        open_to = 1 - d.protected * fibrin / (fibrin + d.plasmin_dissociation)
        caught, trapped = d.inhibition * open_to * pn * ap, d.macroglobulin_inhibition * open_to * pn * am
        free = d.xiii_dissociation / (pol + d.xiii_dissociation)
        slow = 1 - (1 - d.cross_linked_lysis) * (links / net if net > 1e-12 else 0.0)
        return np.array(
            [
                -d.a_catalytic * e * f / (d.a_michaelis + f),
                d.polymerisation * (cut - pol) * cut,
                d.b_catalytic * e * (pol - second) / (d.b_michaelis + pol - second),
                speed * (beyond - net),
                (d.xiii_activation * free + d.xiii_on_fibrin * (1 - free)) * thr * (1 - xiii),
                d.cross_linking * xiii * (net - links),
                d.activation * max(hill / (1 + hill) - act, 0.0),
                d.lag_rate * (act - lag),
                d.contraction_rate * (lag - con),
                d.retraction_rate * pull * net * con * (1 - ret),
                -made,
                made - caught - trapped,
                -caught,
                -d.cutting * slow * pn / (fibrin + d.plasmin_dissociation),
                -trapped,
            ]
        )

    start = np.zeros(15)
    start[[0, 10, 12, 14]] = whole, d.plasminogen, d.antiplasmin, d.macroglobulin
    scale = np.array([whole, whole, whole, *[1] * 7, d.plasminogen, 1e-4, max(d.antiplasmin, 1e-6), 1, d.macroglobulin])
    result = solve_ivp(
        rates, (0, TIME[-1]), start, "LSODA", t_eval=TIME, rtol=1e-8, atol=1e-10 * scale, max_step=4 * STEP
    )
    assert result.success
    out = np.array(result.y)
    out[13] = np.exp(out[13])
    return out


@pytest.mark.parametrize(
    ("peak", "at", "composition"),
    [
        (4e-4, 150.0, Composition()),
        (4e-4, 150.0, Composition(tpa=3e-6)),
        (4e-4, 150.0, Composition(tpa=2e-6, antiplasmin=0.0)),
        (2e-5, 900.0, Composition(fibrinogen=1.0, tpa=1e-6, antiplasmin=0.5)),
        (2e-6, 1200.0, Composition(platelets=40e12, factors={"XIII": 0.1})),
    ],
)
def test_every_state_agrees_with_scipy(peak: float, at: float, composition: Composition) -> None:
    d = drive_of(composition, Contents(), Choices())
    iia = pulse(peak, at)
    enzyme = 1.5 * iia
    mine = march(enzyme, iia, 1.0, STEP, 4, d)
    other = solved(enzyme, iia, 1.0, d)
    scale = dict.fromkeys(ROWS, 1.0)
    scale |= dict.fromkeys(("fibrinogen", "polymer", "second_fibrin"), d.fibrinogen)
    scale |= {"plasminogen": d.plasminogen, "plasmin": max(other[11].max(), 1e-6)}
    scale |= {"antiplasmin": max(d.antiplasmin, 1e-6), "macroglobulin": d.macroglobulin}
    for name, a, b in zip(ROWS, mine, other, strict=True):
        assert np.abs(a - b).max() < 1e-4 * scale[name], name


def test_halving_the_step_quarters_the_error() -> None:
    d = drive_of(Composition(tpa=2e-6), Contents(), Choices())
    iia = pulse(4e-4, 150.0)
    fine = march(iia, iia, 1.0, STEP, 256, d)[3]
    coarse, half = (np.abs(march(iia, iia, 1.0, STEP, n, d)[3] - fine).max() for n in (2, 4))
    assert 3.0 < coarse / half < 5.5


@pytest.mark.parametrize("tpa", [5e-6, 1e-4])
def test_plasmin_and_its_inhibitors_are_conserved(tpa: float) -> None:
    d = drive_of(Composition(tpa=tpa), Contents(), Choices())
    iia = pulse(4e-4, 150.0)
    rows = dict(zip(ROWS, march(iia, iia, 1.0, STEP, 4, d), strict=True))
    caught = d.antiplasmin - rows["antiplasmin"] + d.macroglobulin - rows["macroglobulin"]
    assert rows["antiplasmin"].min() >= 0.0 <= rows["macroglobulin"].min()
    total = rows["plasminogen"] + rows["plasmin"] + caught
    np.testing.assert_allclose(total, d.plasminogen, rtol=1e-12)


def test_fibrinogen_follows_the_closed_form() -> None:
    from stanch.virtual.blood.fibrin import cleavage_time

    d = drive_of(Composition(), Contents(), Choices())
    e = np.full(COUNT, 1e-6)
    left = march(e, e, 1.0, STEP, 4, d)[0] / d.fibrinogen
    for share in (0.2, 0.5, 0.95):
        t = cleavage_time(share, 1e-6, d.fibrinogen)
        assert np.interp(t, TIME, left) == pytest.approx(1 - share, abs=2e-5)
