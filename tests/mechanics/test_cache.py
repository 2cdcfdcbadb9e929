"""The folder of tables built before."""

import os

import numpy as np
import pytest

from stanch.mechanics import cache
from stanch.mechanics import table as module
from stanch.mechanics.table import spectral_table
from stanch.recording.records import Geometry

GEOMETRY = Geometry(2.5e-3, 6e-3, 3e-3, 0.5e-3, 2e-3, 0.19e-3)
SETTINGS = {"density": 1055.0, "push_duration": 2e-4}


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.setenv("STANCH_CACHE", str(tmp_path / "tables"))
    module._memory.clear()
    return tmp_path / "tables"


@pytest.fixture
def builds(monkeypatch):
    calls = []
    real = module.build

    def counting(*args, **kwargs):
        calls.append(args)
        return real(*args, **kwargs)

    monkeypatch.setattr(module, "build", counting)
    return calls


def test_second_call_is_served_from_memory_and_third_from_disk(folder, builds):
    first = spectral_table(GEOMETRY, **SETTINGS)
    assert spectral_table(GEOMETRY, **SETTINGS) is first
    module._memory.clear()
    stored = spectral_table(GEOMETRY, **SETTINGS)
    assert len(builds) == 1
    assert np.array_equal(stored.beam, first.beam)
    assert stored.geometry == GEOMETRY
    assert [p.name for p in folder.iterdir()] == [f"{first.key}.npz"]


def test_another_geometry_is_another_table(folder, builds):
    first = spectral_table(GEOMETRY, **SETTINGS)
    second = spectral_table(Geometry(2.6e-3, 6e-3, 3e-3, 0.5e-3, 2e-3, 0.19e-3), **SETTINGS)
    assert first.key != second.key
    assert len(builds) == 2


@pytest.mark.parametrize("damage", [b"", b"not a zip", "cut", "flip", "wrong shape", "not finite"])
def test_a_damaged_table_is_built_again(folder, builds, damage):
    first = spectral_table(GEOMETRY, **SETTINGS)
    path = folder / f"{first.key}.npz"
    whole = path.read_bytes()
    if isinstance(damage, bytes):
        path.write_bytes(damage)
    elif damage == "cut":
        path.write_bytes(whole[: len(whole) // 2])
    elif damage == "flip":
        path.write_bytes(whole[:3000] + bytes([whole[3000] ^ 1]) + whole[3001:])
    else:
        beam = first.beam[:, :-1] if damage == "wrong shape" else first.beam * np.nan
        np.savez(path, eigenvalue=first.eigenvalue, force=first.force, depth=first.depth, beam=beam)
    module._memory.clear()
    again = spectral_table(GEOMETRY, **SETTINGS)
    assert len(builds) == 2
    assert np.array_equal(again.beam, first.beam)
    module._memory.clear()
    spectral_table(GEOMETRY, **SETTINGS)
    assert len(builds) == 2


def test_a_folder_that_cannot_be_written_is_no_error(tmp_path, monkeypatch, builds):
    (tmp_path / "file").write_text("in the way")
    monkeypatch.setenv("STANCH_CACHE", str(tmp_path / "file" / "tables"))
    module._memory.clear()
    assert spectral_table(GEOMETRY, **SETTINGS).eigenvalue.size > 10
    assert len(builds) == 1


def test_a_failed_write_leaves_nothing_behind(folder, monkeypatch):
    def refuse(*_):
        raise OSError("disk full")

    monkeypatch.setattr(os, "replace", refuse)
    assert cache.store_arrays("table", {"x": np.zeros(3)}) is False
    assert list(folder.iterdir()) == []
