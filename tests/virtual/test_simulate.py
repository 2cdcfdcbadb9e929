from __future__ import annotations

import json

import numpy as np
import pytest

from stanch.errors import DocumentError, OutputExistsError, UsageError
from stanch.recording.container import open_recording
from stanch.virtual.growth import Growth
from stanch.virtual.simulate import simulate

CLOT = 'start = "12 s"\nnetwork_modulus = "400 Pa"\nnetwork_time = "20 s"'
GEL = 'modulus = "300 Pa"\nviscosity = "0.1 Pa·s"'


@pytest.fixture
def text(scenario_text):
    return scenario_text({"gel": GEL, "clot": CLOT}, pushes=3)


def test_recording_and_truth(tmp_path, text):
    told = []
    truth = tmp_path / "t.json"
    path = simulate(text, tmp_path / "r.h5", truth=truth, progress=told.append)
    assert told == pytest.approx([1 / 3, 2 / 3, 1.0])
    assert sorted(p.name for p in tmp_path.iterdir()) == ["r.h5", "t.json"]
    with open_recording(path) as recording:
        assert [w.name for w in recording.wells] == ["gel", "clot"]
        assert recording.state == "closed"
        assert recording.sample.demo
        np.testing.assert_allclose(recording.push_time("clot"), [5, 20, 35])
        frames = recording.frame_time("gel")
        assert frames[:3] == pytest.approx([-1e-3, -5e-4, 5e-4])
        block = recording.read("gel")
        assert block.shape == (3, 12, 128)
        assert block.dtype == np.int16
        assert 400 < block[:, :2].astype(float).std() < 3500
        _, kelvin = recording.temperatures()
        assert np.abs(kelvin - 310.15).max() < 0.2
        assert "Demo data" in recording.notes()[0].text
    document = json.loads(truth.read_text(encoding="utf-8"))
    assert document["schema"] == "stanch.truth/1"
    assert document["demo"] is True
    assert "Demo data" in document["note"]
    clot = document["wells"][1]
    assert clot["gelation_start_s"] == 12.0
    expected = Growth(12.0, 400.0, 20.0).modulus([5.0, 20.0, 35.0])
    np.testing.assert_allclose(clot["pushes"]["modulus_pa"], expected)
    assert clot["pushes"]["renewed"][1] < 1e-12
    assert clot["curve"]["modulus_pa"][20] == pytest.approx(expected[1], rel=1e-7)


def test_the_same_seed_gives_the_same_recording(tmp_path, text):
    identities = []
    for i, seed in enumerate((None, None, 12)):
        with open_recording(simulate(text, tmp_path / f"{i}.h5", seed=seed)) as recording:
            identities.append(recording.identity())
    assert identities[0] == identities[1]
    assert identities[0] != identities[2]


def test_existing_outputs_are_refused_and_kept(tmp_path, text):
    for name in ("r.h5", "t.json"):
        (tmp_path / name).write_text("mine")
        with pytest.raises(OutputExistsError):
            simulate(text, tmp_path / "r.h5", truth=tmp_path / "t.json")
        assert (tmp_path / name).read_text() == "mine"
        assert [p.name for p in tmp_path.iterdir()] == [name]
        (tmp_path / name).unlink()
    (tmp_path / "r.h5").write_text("mine")
    simulate(text, tmp_path / "r.h5", overwrite=True)
    assert (tmp_path / "r.h5").stat().st_size > 1000
    with pytest.raises(UsageError):
        simulate(text, tmp_path / "nowhere" / "r.h5")
    with pytest.raises(UsageError):
        simulate(text, tmp_path)


def test_a_run_that_breaks_leaves_nothing(tmp_path, text):
    class Stop(Exception):
        pass

    def stop(share: float) -> None:
        raise Stop

    with pytest.raises(Stop):
        simulate(text, tmp_path / "r.h5", truth=tmp_path / "t.json", progress=stop)
    assert list(tmp_path.iterdir()) == []


def test_the_assay_document_is_embedded_as_it_stands(tmp_path, text):
    assay = 'schema = "stanch.assay/1"\nname = "é"\n'
    (tmp_path / "a.toml").write_text(assay, encoding="utf-8")
    scenario = tmp_path / "s.toml"
    scenario.write_text(text.replace("seed = 11", 'seed = 11\nassay = "a.toml"'), encoding="utf-8")
    with open_recording(simulate(scenario, tmp_path / "r.h5")) as recording:
        assert recording.assay_text == assay
    (tmp_path / "a.toml").unlink()
    with pytest.raises(DocumentError, match=r"a\.toml.*readable assay document"):
        simulate(scenario, tmp_path / "r2.h5")
    assert not (tmp_path / "r2.h5").exists()


def test_faults_of_paper_temperature_and_clock(tmp_path, scenario_text):
    faults = """
[[fault]]
kind = "expired_lot"
reagent = "neutraliser"
[[fault]]
kind = "stale_sample"
age = "9 h"
[[fault]]
kind = "clock"
ahead = "40 min"
[[fault]]
kind = "temperature"
shift = "-2 K"
"""
    with open_recording(simulate(scenario_text(faults=faults), tmp_path / "r.h5")) as recording:
        assert recording.wells[0].additives[0].expiry == "2026-03-01"
        assert recording.sample.drawn_at.startswith("2026-03-01T23:30")
        assert recording.sample.received_at.startswith("2026-03-02T09:10")
        assert recording.temperatures()[1].mean() == pytest.approx(308.15, abs=0.1)
