"""The compiled march of a clot, driven by thrombin.

Every state obeys ``y' = a - b y`` with a and b given by the states before it in the chain, so each small step is taken
exactly, with b at its middle and a or the state it follows between its ends: second order, stable however fast a
state is, and no state leaves its bounds.
Fibrinogen is not marched: the integrated Michaelis-Menten law gives it from the exposure to thrombin so far.

Importing this module loads numba; import it only where clots are computed.
"""

# The compiler infers the types of these functions.
# mypy: disable-error-code="no-untyped-def, no-untyped-call, call-arg, var-annotated"

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit

__all__ = ["ROWS", "Drive", "march"]

ROWS = (
    "fibrinogen",
    "polymer",
    "second_fibrin",
    "network",
    "factor_xiii",
    "cross_links",
    "activated",
    "lag",
    "contraction",
    "retraction",
    "plasminogen",
    "plasmin",
    "antiplasmin",
    "kept_fibrin",
    "macroglobulin",
)
"""What the march returns, in order: amounts in mol/m^3, the rest as shares."""


_QUICK = 0.02  # share of fibrinogen cut in a step of the grid from which small steps are finer
_FINER = 4


class Drive(NamedTuple):
    """Numbers that the march needs: amounts [mol/m^3], rates [1/s] or [m^3/mol/s], shares [-]."""

    fibrinogen: float
    gel_share: float
    a_catalytic: float
    a_michaelis: float
    b_catalytic: float
    b_michaelis: float
    polymerisation: float
    network_rate: float
    first_fibrin_rate: float
    xiii_activation: float
    xiii_on_fibrin: float
    xiii_dissociation: float
    cross_linking: float
    half_thrombin: float
    hill: float
    activation: float
    lag_rate: float
    contraction_rate: float
    retraction_rate: float
    plasminogen: float
    antiplasmin: float
    on_fibrin: float
    on_fibrin_michaelis: float
    in_liquid: float
    in_liquid_michaelis: float
    tpa_dissociation: float
    plasmin_dissociation: float
    inhibition: float
    macroglobulin: float
    macroglobulin_inhibition: float
    protected: float
    cutting: float
    cross_linked_lysis: float


@njit(cache=True, nogil=True)
def _relax(y, a, b, h):
    """Exact step of y' = a - b y."""
    x = b * h
    if x < 1e-8:
        return y + h * (a - b * y)
    e = math.exp(-x)
    return y * e + a * (1.0 - e) / b


@njit(cache=True, nogil=True)
def _follow(y, before, after, b, h):
    """Exact step of y' = b (u - y) where u goes evenly from `before` to `after`."""
    x = b * h
    if x < 1e-4:
        return y + x * (0.5 * (before + after) - y) - x * x * ((before + 2.0 * after) / 6.0 - 0.5 * y)
    e = math.exp(-x)
    return after - (after - before) * (1.0 - e) / x + (y - before) * e


@njit(cache=True, nogil=True)
def _fibrinogen(before, start, michaelis, turned):
    """Root of ``F + Km ln(F/F0) = F0 - turned`` by Newton's method on ln(F/F0), from the root before."""
    y = math.log(max(before / start, 1e-300))
    scale = start / michaelis
    wanted = scale - turned / michaelis
    for _ in range(60):
        e = scale * math.exp(y)
        change = (e + y - wanted) / (e + 1.0)
        y -= change
        if abs(change) < 1e-13:
            break
    return start * math.exp(max(y, -690.0))


@njit(cache=True, nogil=True)
def _beyond(polymer, d):
    """Polymer beyond the gel share, over what there can be."""
    return max(polymer / d.fibrinogen - d.gel_share, 0.0) / (1.0 - d.gel_share)


@njit(cache=True, nogil=True)
def _lysis(state, polymer, cross_links, h, d):
    """One step of plasminogen, plasmin, fibrin kept and inhibitors, with fibrin and cross-links at the middle."""
    pg, pn, ap, kept, am = state
    pg_mid, ap_mid, kept_mid, am_mid = pg, ap, kept, am
    new = state
    for _ in range(2):
        fibrin = polymer * kept_mid
        held = fibrin / (fibrin + d.tpa_dissociation)
        made = d.on_fibrin * held / (d.on_fibrin_michaelis + pg_mid)
        made += d.in_liquid * (1.0 - held) / (d.in_liquid_michaelis + pg_mid)
        open_to = 1.0 - d.protected * fibrin / (fibrin + d.plasmin_dissociation)
        by_ap, by_am = d.inhibition * ap_mid, d.macroglobulin_inhibition * am_mid
        pg_new = pg * math.exp(-made * h)
        pn_new = _relax(pn, (pg - pg_new) / h, open_to * (by_ap + by_am), h)
        caught = max(pn + (pg - pg_new) - pn_new, 0.0)
        to_ap = min(caught * by_ap / (by_ap + by_am), ap) if by_ap > 0.0 else 0.0
        to_am = min(caught - to_ap, am) if by_am > 0.0 else 0.0
        pn_new += caught - to_ap - to_am
        ap_new, am_new = ap - to_ap, am - to_am
        pn_mid = 0.5 * (pn + pn_new)
        slow = 1.0 - (1.0 - d.cross_linked_lysis) * cross_links
        kept_new = kept * math.exp(-h * d.cutting * slow * pn_mid / (fibrin + d.plasmin_dissociation))
        new = (pg_new, pn_new, ap_new, kept_new, am_new)
        pg_mid, ap_mid = 0.5 * (pg + pg_new), 0.5 * (ap + ap_new)
        kept_mid, am_mid = 0.5 * (kept + kept_new), 0.5 * (am + am_new)
    return new


@njit(cache=True, nogil=True)
def march(enzyme, activator, pull, step, parts, d):
    """March a clot along an even grid of thrombin.

    Parameters
    ----------
    enzyme, activator : ndarray, shape (time,)
        What cleaves fibrinogen, and what activates platelets and factor XIII [mol/m^3]; linear between the points.
    pull : float
        Of the platelets over normal [-].
    step : float
        Of the grid [s].
    parts : int
        Small steps in one step of the grid [-].
    d : Drive

    Returns
    -------
    ndarray, shape (row, time)
        As :data:`ROWS`: amounts [mol/m^3], shares [-].
    """
    count = enzyme.size
    out = np.zeros((15, count))
    f = d.fibrinogen
    pol, second, net, xiii, links = 0.0, 0.0, 0.0, 0.0, 0.0
    act, lag, con, ret = 0.0, 0.0, 0.0, 0.0
    lysis = (d.plasminogen, 0.0, d.antiplasmin, 1.0, d.macroglobulin)
    exposure = 0.0
    for k in range(count):
        out[0, k], out[1, k], out[2, k], out[3, k] = f, pol, second, net
        out[4, k], out[5, k], out[6, k], out[7, k] = xiii, links, act, lag
        out[8, k], out[9, k] = con, ret
        out[10, k], out[11, k], out[12, k], out[13, k], out[14, k] = lysis
        if k == count - 1:
            break
        pieces = parts
        if second < (1.0 - 1e-5) * d.fibrinogen:
            fastest = d.a_catalytic * max(enzyme[k], enzyme[k + 1]) / (d.a_michaelis + d.fibrinogen)
            if fastest * step > _QUICK:
                pieces = _FINER * parts
        h = step / pieces
        for j in range(pieces):
            w0, w1 = j / pieces, (j + 1) / pieces
            e0 = enzyme[k] + w0 * (enzyme[k + 1] - enzyme[k])
            e1 = enzyme[k] + w1 * (enzyme[k + 1] - enzyme[k])
            e = 0.5 * (e0 + e1)
            iia = activator[k] + 0.5 * (w0 + w1) * (activator[k + 1] - activator[k])
            formed = 0.0
            pol_mid = 0.0
            if d.fibrinogen > 0.0:
                exposure += e * h
                f_new = _fibrinogen(f, d.fibrinogen, d.a_michaelis, d.a_catalytic * exposure)
                cut, cut_new = d.fibrinogen - f, d.fibrinogen - min(f_new, f)
                f = min(f_new, f)
                pol_new = min(_follow(pol, cut, cut_new, d.polymerisation * 0.5 * (cut + cut_new), h), cut_new)
                pol_mid = 0.5 * (pol + pol_new)
                second_new = second
                for _ in range(2):
                    uncut = max(pol_mid - 0.5 * (second + second_new), 0.0)
                    rate = d.b_catalytic * e / (d.b_michaelis + uncut)
                    second_new = min(_follow(second, pol, pol_new, rate, h), pol_new)
                share = min(0.5 * (second + second_new) / pol_mid, 1.0) if pol_mid > 0.0 else 0.0
                beyond = _beyond(pol, d)
                second, pol = second_new, pol_new
                speed = d.network_rate * (d.first_fibrin_rate + (1.0 - d.first_fibrin_rate) * share)
                net_new = max(_follow(net, beyond, _beyond(pol, d), speed, h), net)
                formed = 0.5 * (net + net_new)
                bound = pol_mid / (pol_mid + d.xiii_dissociation)
                speed = (d.xiii_activation + (d.xiii_on_fibrin - d.xiii_activation) * bound) * iia
                xiii_new = _relax(xiii, speed, speed, h)
                speed = d.cross_linking * 0.5 * (xiii + xiii_new)
                xiii = xiii_new
                links = min(_follow(links, net, net_new, speed, h), net_new)
                net = net_new
            part = (max(iia, 0.0) / d.half_thrombin) ** d.hill
            aim = part / (1.0 + part)
            act_new = max(_relax(act, d.activation * aim, d.activation, h), act)
            lag_new = _follow(lag, act, act_new, d.lag_rate, h)
            con_new = _follow(con, lag, lag_new, d.contraction_rate, h)
            speed = d.retraction_rate * pull * formed * 0.5 * (con + con_new)
            act, lag, con = act_new, lag_new, con_new
            ret = _relax(ret, speed, speed, h)
            lysis = _lysis(lysis, pol_mid, links / net if net > 0.0 else 0.0, h, d)
    return out
