"""Make gel.npz, a file as a laboratory's own script might save it: echoes [push, frame, sample] and push times.

The echoes come from the virtual instrument (demo data); the recording it writes is opened with plain h5py.
"""

import tempfile
from pathlib import Path

import h5py
import numpy as np

import stanch

SCENARIO = Path(__file__).with_name("scenario.toml")

with tempfile.TemporaryDirectory() as folder:
    recording = stanch.simulate(SCENARIO, Path(folder) / "gel.h5")
    with h5py.File(recording) as source:
        well = source["wells/000"]
        np.savez("gel.npz", plain=well["echo"][:], push_time=well["push_time"][:])

print("wrote gel.npz")
