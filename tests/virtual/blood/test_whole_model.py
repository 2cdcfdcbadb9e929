"""Virtual blood from composition to modulus against one system of equations, written again from printed tables.

Reactions: Hockin et al. 2002 (J Biol Chem 277:18322) and Chatterjee et al. 2010 (PLoS Comput Biol 6:e1000950), typed in
again with names of its own, in nmol/L; mixing, clot and stiffness as ``docs/explanation`` says, with the numbers of
``docs/reference/virtual-blood.md``. Cascade and clot are one system here, solved by SciPy: no table of thrombin between
them, no exact small steps.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from stanch.virtual.blood.expect import courses
from stanch.virtual.blood.records import Composition, Contents

TISSUE = """
tf f7 > tf7 : 3.2e6 3.1e-3 | tf f7a > c : 2.3e7 3.1e-3 | c f7 > c f7a : 4.4e5 | xa f7 > xa f7a : 1.3e7
t f7 > t f7a : 2.3e4 | c f10 > cx : 2.5e7 1.05 | cx > cxa : 6 | c xa > cxa : 2.2e7 19 | c f9 > c9 : 1e7 2.4
c9 > c f9a : 1.8 | xa f2 > xa t : 7.5e3 | t f8 > t f8a : 2e7 | f8a f9a > ten : 1e7 5e-3 : platelets
ten f10 > tenx : 1e8 1e-3 | tenx > ten xa : 8.2 | f8a > l r : 6e-3 2.2e4 | tenx > l r f10 f9a : 1e-3
ten > l r f9a : 1e-3 | t f5 > t f5a : 2e7 | xa f5a > pro : 4e8 .2 : platelets | pro f2 > pro2 : 1e8 103
pro2 > pro m : 63.5 | m pro > t pro : 1.5e7 | xa i > xai : 9e5 3.6e-4 | cxa i > q : 3.2e8 1.1e-4 | c xai > q : 5e7
xa at > - : 1.5e3 : heparin 8.5e6 | m at > - : 7.1e3 : heparin 1e7 | f9a at > - : 490 : heparin 3e6
t at > - : 7.1e3 : heparin 1e7 | c at > - : 230
"""
CONTACT = """
f12 > f12a : 5e-4 : surface | f12a f12 > a : 1e8 750 : surface | a > f12a f12a : .033
f12a pk > b : 1e8 3600 : surface | b > f12a k : 40 | k f12 > d : 1e8 45.3 : surface | d > k f12a : 5.7
pk k > k k : 2.7e4 | k > - : .011 | f12a c1 > - : 3600 | f12a at > - : 21.6 | f11 t > e : 1e8 5 : surface
e > f11a t : 1.3e-4 | f12a f11 > g : 1e8 200 : surface | g > f12a f11a : 5.7e-4
f11a f11 > f11a f11a : 3.19e6 : surface
f11a at > - : 320 | f11a c1 > - : 1800 | f11a a1 > - : 100 | f11a a2 > - : 4300 | f11a f9 > h : 1e8 41 : resting
h > f11a f9a : 7.7 | f9a f10 > n : 1e8 .64 : resting | n > f9a xa : 7e-4 | xa f8 > o : 1e8 2.1 : resting
o > xa f8a : .023
"""
NORMAL = {
    "f7": 10, "f7a": 0.1, "f10": 160, "f9": 90, "f2": 1400, "f8": 0.7, "f5": 20, "i": 2.5, "at": 3400, "f12": 375,
    "pk": 450, "f11": 30, "c1": 1700, "a1": 40000, "a2": 975,
}  # fmt: skip
TRACE, SCALE, RESTING, BODY = 0.01, 0.15, 0.01, 310.15


class Model:
    """One well; amounts in nmol/L."""

    def __init__(self, c: Composition, w: Contents) -> None:
        blood = w.blood_share * (1 - c.dilution)
        self.cells = blood * c.haematocrit
        self.plasma = blood * (1 - c.haematocrit) / (1 - self.cells)
        self.count = blood * c.platelets / 1e12
        self.speed = 2.0 ** ((w.temperature - BODY) / 10)
        own = {"f2": "II", "f5": "V", "f7": "VII", "f7a": "VII", "f8": "VIII", "f9": "IX", "f10": "X", "f11": "XI",
               "f12": "XII", "pk": "prekallikrein", "i": "TFPI", "c1": "C1 inhibitor"}  # fmt: skip
        start = {name: value * self.plasma * c.factors.get(own.get(name, ""), 1.0) for name, value in NORMAL.items()}
        start["at"] *= c.antithrombin
        start["a2"] *= c.antiplasmin
        start["tf"] = w.tissue_factor * 1e6 / (1 - self.cells)
        self._read(start, self._factors(c, w, start["at"]))
        self.c, self.w = c, w
        self.fibrinogen = c.fibrinogen / 340 * 1e6 * self.plasma
        self.pull = (self.count / 250) ** 0.65 * c.platelet_function * (1 - w.block_fraction)

    def _factors(self, c: Composition, w: Contents, at: float) -> dict[str, float]:
        def surface(n: float) -> float:
            return 0.1 + 0.9 * n / (n + 20)

        free = max(0.0, c.heparin * self.plasma - w.neutraliser) * 1.23e-10 * 1e6  # nmol/L of chains
        total = free + at + 4300.0
        bound = (total - np.sqrt(total**2 - 4 * free * at)) / (2 * at)
        return {"platelets": surface(self.count) / surface(250.0), "heparin": SCALE * bound}

    def _read(self, start: dict[str, float], factor: dict[str, float]) -> None:
        names: dict[str, int] = {}
        steps = []
        for line in (TISSUE + CONTACT).replace("\n", "|").split("|"):
            if not line.strip():
                continue
            text, constants, *how = (x.strip() for x in line.split(":"))
            left, right = (x.split() for x in text.split(">"))
            forward, *back = (float(x) for x in constants.split())
            reverse = back[0] if back else 0.0
            word, *number = how[0].split() if how else [""]
            if word == "surface":
                forward *= TRACE
            elif word == "resting":
                forward, reverse = forward * factor["platelets"], reverse / RESTING
            elif word == "platelets":
                forward *= factor["platelets"]
            elif word == "heparin":
                forward += factor["heparin"] * float(number[0])
            for side, other, k in ((left, right, forward), (right, left, reverse)):
                if k:
                    ids = [[names.setdefault(x, len(names)) for x in s if x != "-"] for s in (side, other)]
                    steps.append((*ids, k * self.speed * (1e-9 if len(side) == 2 else 1.0)))
        self.size = len(names)
        self.thrombin, self.meizothrombin = names["t"], names["m"]
        self.change = np.zeros((self.size, len(steps)))
        self.pairs = np.full((2, len(steps)), self.size)
        self.rates = np.array([k for *_, k in steps])
        for j, (side, other, _) in enumerate(steps):
            self.pairs[: len(side), j] = side
            for sign, members in ((-1, side), (1, other)):
                np.add.at(self.change[:, j], members, sign)
        self.start = np.array([start.get(name, 0.0) for name in names])

    def slope(self, _: float, y: np.ndarray) -> np.ndarray:
        """All rates."""
        amounts = np.append(y[: self.size], 1.0)
        cascade = self.change @ (self.rates * amounts[self.pairs[0]] * amounts[self.pairs[1]])
        fg, polymer, second, net, f13, links, awake, lag, pulling, ret, pg, pn, ap, log_kept, am = y[self.size :]
        thrombin = max(y[self.thrombin], 0.0)
        enzyme = thrombin + max(y[self.meizothrombin], 0.0)
        cut, uncut = self.fibrinogen - fg, max(polymer - second, 0.0)
        beyond = max(polymer / self.fibrinogen - 0.2, 0.0) / 0.8
        hill = (enzyme / 2.4279) ** 1.6123
        fibrin = polymer * np.exp(log_kept)
        held, on = fibrin / (fibrin + 580), fibrin / (fibrin + 500)
        tpa = self.c.tpa * 1e6 * self.plasma * (1 - self.w.antifibrinolytic)
        made = tpa * pg * (0.3 * held / (160 + pg) + 0.3 * (1 - held) / (28000 + pg))
        caught, trapped = 1e-2 * (1 - 0.98 * on) * pn * ap, 0.2 * 3.5e-4 * (1 - 0.98 * on) * pn * am
        clot = np.array(
            [
                -84 * enzyme * fg / (7200 + fg),
                1e-3 * (cut - polymer) * cut,
                49 * enzyme * uncut / (7500 + uncut),
                (0.4 + 0.6 * (second / polymer if polymer > 1e-9 else 0.0)) * (beyond - net) / 90,
                (1.4e-4 * 65 + 1.2e-2 * polymer) / (polymer + 65) * enzyme * (1 - f13),
                self.c.factor("XIII") * self.plasma * f13 * (net - links) / 240,
                0.005 * max(hill / (1 + hill) - awake, 0.0),
                (awake - lag) / 30,
                (lag - pulling) / 60,
                self.pull * net * pulling * (1 - ret) / 1800,
                -made,
                made - caught - trapped,
                -caught,
                -0.2178 * (1 - 0.5 * (links / net if net > 1e-12 else 0.0)) * pn / (fibrin + 500),
                -trapped,
            ]
        )
        return np.concatenate([cascade, self.speed * clot])

    def solve(self, time: np.ndarray) -> dict[str, Any]:
        """What the well does."""
        from scipy.integrate import solve_ivp

        first = np.zeros(15)
        first[[0, 10, 12, 14]] = (
            self.fibrinogen, 2200 * self.c.plasminogen * self.plasma, 975 * self.c.antiplasmin * self.plasma,
            3000 * self.plasma,
        )  # fmt: skip

        def gel(_: float, y: np.ndarray) -> float:
            return float(0.8 * self.fibrinogen - y[self.size])

        found = solve_ivp(
            self.slope, (0, time[-1]), np.concatenate([self.start, first]), "LSODA", t_eval=time, events=gel,
            rtol=1e-8, atol=1e-11, max_step=5.0,
        )  # fmt: skip
        assert found.success
        assert found.t_events is not None
        net, links, pulling, ret, kept = (found.y[self.size + i] for i in (3, 5, 8, 9, 13))
        linked = np.where(net > 1e-12, links / np.maximum(net, 1e-12), 0.0)
        per_well = self.c.fibrinogen * self.plasma * (1 - self.cells)
        grown = 30 * per_well**2 * net**2 * (1 + 2 * linked) * (1 + 4.2 * self.pull * pulling)
        left = (np.maximum(np.exp(kept) - 0.2, 0.0) / 0.8) ** 2
        return {
            "start": float(found.t_events[0][0]), "thrombin": found.y[self.thrombin], "network": net,
            "kept": left, "modulus": grown * left * np.exp(-0.1 * ret), "shift": 6e-5 * ret,
        }  # fmt: skip


CASES = {
    "normal": (Composition(), Contents(blood_share=160 / 172)),
    "heparin within the neutraliser, lysis, blocker": (
        Composition(heparin=2e6, tpa=1.7e-6),
        Contents(tissue_factor=5e-8, neutraliser=5e6, block_fraction=0.94, blood_share=160 / 172),
    ),
    "heparin, dilution, few platelets": (
        Composition(2.2, 90e12, haematocrit=0.3, antithrombin=0.8, heparin=2e5, antiplasmin=0.7, dilution=0.2),
        Contents(blood_share=160 / 172),
    ),
    "cold, several lacks, antifibrinolytic": (
        Composition(factors={"VII": 0.3, "VIII": 0.05, "XI": 0.1, "XIII": 0.3}, tpa=2.5e-6),
        Contents(tissue_factor=5e-8, temperature=306.15, antifibrinolytic=0.9, blood_share=160 / 172),
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_modulus_and_structure_agree_with_the_other_model(name: str) -> None:
    composition, contents = CASES[name]
    time = np.arange(0.0, 3601.0, 20.0)
    other = Model(composition, contents).solve(time)
    (mine,) = courses(composition, [contents])
    # The clot is driven by thrombin on a 2 s grid, linear between: the gel point comes up to 0.04 s early.
    assert mine.start == pytest.approx(other["start"], abs=0.05)
    thrombin = np.interp(time, mine.time, mine.thrombin) * 1e6
    assert np.abs(thrombin - other["thrombin"]).max() < 1e-4 * other["thrombin"].max()
    assert np.abs(mine.modulus(time) - other["modulus"]).max() < 1e-4 * other["modulus"].max()
    assert np.abs(mine.kept(time) - other["kept"]).max() < 1e-4
    assert np.abs(mine.progress(time) - other["network"]).max() < 3e-4
    assert np.abs(mine.shift(time) - other["shift"]).max() < 1e-4 * other["shift"].max()


def test_a_finer_grid_comes_nearer() -> None:
    composition, contents = CASES["heparin within the neutraliser, lysis, blocker"]
    time = np.arange(0.0, 1201.0, 20.0)
    other = Model(composition, contents).solve(time)
    errors = [
        np.abs(courses(composition, [contents], duration=1200.0, step=h)[0].progress(time) - other["network"]).max()
        for h in (2.0, 0.5)
    ]
    assert errors[1] < errors[0] / 10
