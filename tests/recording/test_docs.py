"""What the reference pages say is what the code does."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import h5py
import numpy as np
from recording_samples import write_sample

from stanch.recording.container import open_recording
from stanch.recording.convert import convert
from stanch.recording.map_tables import AcquisitionTable, AdditiveTable, GeometryTable, RecordingTable, WellTable
from stanch.recording.maps import parse_map
from stanch.recording.source import FORMS

PAGES = Path(__file__).parents[2] / "docs" / "reference"
MAP_PAGE = (PAGES / "map-document.md").read_text(encoding="utf-8")
FORMAT_PAGE = (PAGES / "recording-format.md").read_text(encoding="utf-8")


def fenced(page: str, language: str) -> list[str]:
    return re.findall(rf"```{re.escape(language)}\n(.*?)```", page, re.S)


def test_every_key_of_a_map_is_described() -> None:
    for table in (RecordingTable, AcquisitionTable, GeometryTable, WellTable, AdditiveTable):
        for key in table.model_fields:
            assert re.search(rf"`[^`]*\b{key}\b[^`]*`", MAP_PAGE), key
    for form in FORMS:
        assert f"`{form}`" in MAP_PAGE


def test_the_example_maps_are_valid_and_the_table_converts(tmp_path: Path) -> None:
    echo, curve = fenced(MAP_PAGE, "toml")
    assert parse_map(tomllib.loads(echo)).geometry is not None
    (tmp_path / "a.csv").write_text(fenced(MAP_PAGE, "text")[0])
    with open_recording(convert(tmp_path / "a.csv", tomllib.loads(curve), tmp_path / "a.h5")) as run:
        np.testing.assert_allclose(run.push_time("gel"), [30, 60])
        np.testing.assert_allclose(run.read("gel"), [1.2, 3.75])
        np.testing.assert_allclose(run.column("gel", "loss_modulus"), [0.8, 1.1])


def test_every_array_of_a_file_is_described(tmp_path: Path) -> None:
    path = write_sample(tmp_path / "run.h5")
    found: list[str] = []
    with h5py.File(path, "r") as file:
        file.visititems(lambda name, item: found.append(name) if isinstance(item, h5py.Dataset) else None)
    for name in found:
        assert f"/{name}`" in FORMAT_PAGE or f"`{name.rsplit('/', 1)[-1]}`" in FORMAT_PAGE, name


def test_the_reading_example_runs(tmp_path: Path) -> None:
    path = write_sample(tmp_path / "run.h5")
    space: dict[str, object] = {}
    exec(fenced(FORMAT_PAGE, "{code-block} python")[0].replace('"run.h5"', repr(str(path))), space)
    with open_recording(path) as run:
        np.testing.assert_array_equal(space["echo"], run.read("plain"))
        np.testing.assert_array_equal(space["time"], run.push_time("plain"))
