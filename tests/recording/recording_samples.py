"""A small recording with a well of each kind."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from stanch.recording.container import WellLayout, create
from stanch.recording.records import Acquisition, Additive, Geometry, SampleFacts, Well

FRAMES, SAMPLES = 8, 24
ACQUISITION = Acquisition(40e6, 9e6, 1575.0, 1055.0, 200e-6, 2, -1e-3)
GEOMETRY = Geometry(2.8e-3, 7e-3, 3.2e-3, 0.4e-3, 2.2e-3, 0.19e-3)
FRAME_TIME = np.concatenate([[-2, -1], np.arange(1, FRAMES - 1)]) * 125e-6
SAMPLE = SampleFacts("gel series", role="gel", haematocrit=0.4, drugs=(), products=("fibrinogen",), demo=True)
PLAIN = Well(
    "plain",
    activator="tissue factor",
    additives=(Additive("calcium", amount="20 mmol/L", lot="A7", expiry="2027-01-31"), Additive("buffer")),
    activated_at="2026-03-01T09:00:00+01:00",
    sample_volume=3e-7,
)


def echo_block(push: int) -> np.ndarray:
    return np.random.default_rng(push).integers(-2000, 2000, (FRAMES, SAMPLES), dtype=np.int16)


def layouts() -> list[WellLayout]:
    return [
        WellLayout(PLAIN, "echo", FRAME_TIME, sample_count=SAMPLES),
        WellLayout(Well("traces"), "displacement", FRAME_TIME, geometry=GEOMETRY),
        WellLayout(Well("curve"), "modulus", None, frequency=1.0),
    ]


def write_sample(path: Path, pushes: int = 4, close: bool = True, **options: Any) -> Path:
    facts: dict[str, Any] = {
        "sample": SAMPLE,
        "wells": layouts(),
        "acquisition": ACQUISITION,
        "geometry": GEOMETRY,
        "assay_text": 'schema = "stanch.assay/1"\n',
        "instrument": "bench rig",
        "operator": "demo",
        "started_at": "2026-03-01T08:00:00Z",
    }
    writer = create(path, **{**facts, **options})
    for i in range(pushes):
        writer.append("plain", 5.0 * i, echo_block(i))
        writer.append("traces", 5.0 * i + 1, np.linspace(0, 1e-6, FRAMES) * i, sd=np.full(FRAMES, 1e-8))
        writer.append("curve", 5.0 * i + 2, 10.0 * i, viscosity=0.01, modulus_sd=0.5)
    writer.temperature(0.0, 310.15)
    writer.temperature(60.0, 310.05)
    writer.note("Demo data: invented for tests.")
    writer.note("lid closed", at="2026-03-01T08:01:00+00:00")
    if close:
        writer.close()
    else:
        writer.abandon()
    return path
