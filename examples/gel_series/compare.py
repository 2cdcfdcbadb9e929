"""Analyse seven virtual gels and set the moduli beside those that were put in (demo data)."""

import json
import tempfile
from pathlib import Path

import numpy as np

import stanch

SCENARIO = Path(__file__).with_name("scenario.toml")

with tempfile.TemporaryDirectory() as folder:
    recording, truth = Path(folder) / "gels.h5", Path(folder) / "truth.json"
    stanch.simulate(SCENARIO, recording, truth=truth)
    result = stanch.analyse(recording, seed=1)
    known = [well["pushes"]["modulus_pa"][0] for well in json.loads(truth.read_text(encoding="utf-8"))["wells"]]

print("put in [Pa]   median of the pushes [Pa]   off [%]   scatter of the pushes [%]   inside 95 %")
for well, put_in in zip(result.wells, known, strict=True):
    moduli = well.moduli
    found = np.median(moduli.modulus)
    scatter = 100 * np.std(moduli.modulus, ddof=1) / found
    inside = np.sum((moduli.modulus_low <= put_in) & (put_in <= moduli.modulus_high))
    off = 100 * (found / put_in - 1)
    print(f"{put_in:11.0f}   {found:25.2f}   {off:7.2f}   {scatter:25.2f}   {inside:5d} of {moduli.modulus.size}")
