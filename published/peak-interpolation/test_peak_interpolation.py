"""Bias of parabola and cosine interpolation on a cosine peak, against the closed form."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from stanch.echo.correlation import cosine_peak, parabola_peak

ROWS = list(csv.DictReader((Path(__file__).parent / "bias.csv").read_text(encoding="utf-8").splitlines()))


def values(theta: float, d: object) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    at = np.asarray(d, dtype=float)
    return np.cos(theta * (-1 - at)), np.cos(theta * at), np.cos(theta * (1 - at))


@pytest.mark.parametrize("row", ROWS)
def test_parabola(row: dict[str, str]) -> None:
    theta = 2 * np.pi / float(row["samples_per_period"])
    d = np.linspace(0, 0.5, 2001)[:-1]
    found = parabola_peak(*values(theta, d))
    assert found == pytest.approx(0.5 / np.tan(theta / 2) * np.tan(theta * d), rel=1e-9, abs=1e-12)
    assert float(parabola_peak(*values(theta, 0.25))) - 0.25 == pytest.approx(float(row["bias_at_quarter"]), abs=6e-7)
    bias = np.abs(found - d)
    assert bias.max() == pytest.approx(float(row["worst_bias"]), abs=6e-5)
    assert d[bias.argmax()] == pytest.approx(float(row["worst_at"]), abs=2e-3)


@pytest.mark.parametrize("samples", [4.0, 5.0, 8.0, 10.0])
def test_cosine_has_no_bias(samples: float) -> None:
    d = np.linspace(-0.49, 0.49, 99)
    assert cosine_peak(*values(2 * np.pi / samples, d)) == pytest.approx(d, abs=1e-12)
