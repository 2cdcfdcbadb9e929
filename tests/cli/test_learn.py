"""``stanch learn`` from runs of an invented laboratory, and ``stanch forecast`` with what it learnt."""

import contextlib
import io
import json

import numpy as np
import pytest

from stanch.cli.main import _run
from stanch.readings.forecast.store import load_prior
from stanch.recording.container import WellLayout, create
from stanch.recording.records import SampleFacts
from stanch.virtual.population_table import demo_bench

COUNT, NEW, PUSHES, INTERVAL = 84, 12, 48, 30.0
FINE = np.linspace(0.0, PUSHES * INTERVAL, 2881)
WELLS = ("base", "base + antifibrinolytic")


def growth(rng):
    """True modulus of both wells of one invented sample [Pa]."""
    top, start, slow = np.exp(rng.normal(6.2, 0.3)), rng.uniform(60.0, 200.0), rng.uniform(80.0, 200.0)
    loss = rng.choice([0.0, 1.0]) * rng.uniform(1e-5, 4e-4)

    def grown(t):
        return top * (1.0 - np.exp(-np.maximum(np.asarray(t) - start, 0.0) / slow)) ** 2

    return {
        WELLS[0]: lambda t: grown(t) * np.exp(-loss * np.maximum(np.asarray(t) - start - 300.0, 0.0)),
        WELLS[1]: grown,
    }


def answer(*args):
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = _run([str(a) for a in args])
    return code, out.getvalue(), err.getvalue()


@pytest.fixture(scope="module")
def laboratory(tmp_path_factory):
    """Recordings of the laboratory, and the true plateau of the base well of each."""
    bench, folder = demo_bench(), tmp_path_factory.mktemp("laboratory")
    wells = [well for well in bench.wells if well.name in WELLS]
    # Short runs need a short hold and follow time.
    text = bench.assay.text.replace('hold = "9 min"', 'hold = "4 min"').replace(
        'follow = "28 min"', 'follow = "12 min"'
    )
    assert text.count('"4 min"') >= 1
    found = []
    for number in range(COUNT + NEW):
        rng = np.random.default_rng([50, number])
        truth, path = growth(rng), folder / f"{number:03d}.h5"
        writer = create(
            path,
            sample=SampleFacts(f"demo-own-{number:03d}", demo=True),
            wells=[WellLayout(well, "modulus", None) for well in wells],
            acquisition=None,
            geometry=None,
            assay_text=text,
        )
        for k in range(PUSHES):
            time = INTERVAL * (k + 1) - rng.uniform(0.0, 5.0)
            for well in wells:
                modulus = float(truth[well.name](time))
                sd = 0.5 + 0.01 * modulus
                writer.append(well.name, time, modulus + sd * rng.standard_normal(), modulus_sd=sd)
        writer.close()
        means = np.convolve(truth["base"](FINE), np.full(241, 1 / 241), mode="valid")
        found.append((path, float(means.max())))
    return found


@pytest.fixture(scope="module")
def learnt(laboratory):
    path = laboratory[0][0].parent / "ours.prior.npz"
    return path, answer("learn", path, *(p for p, _ in laboratory[:COUNT]), "--seed", 3)


@pytest.mark.slow
def test_own_runs_make_a_prior_that_says_so(learnt, laboratory):
    path, (code, out, err) = learnt
    assert code == 0, err
    assert f"{COUNT} recordings, half of them held out, 0 shorter ones left out" in out
    prior = load_prior(path)
    assert prior.sha256 in out
    assert prior.origin.kind == "own runs"
    assert len(set(prior.origin.identities)) == COUNT
    assert prior.definitions.hold == 240.0
    assert set(prior.library) == {
        "high tissue factor + heparin neutraliser",
        "high tissue factor + antifibrinolytic + heparin neutraliser",
    }
    assert {rows.shape[0] for rows in prior.library.values()} == {COUNT // 2}
    # The other pair of the assay document has wells that these recordings lack.
    assert len(prior.pairs) == 1
    assert answer("learn", path, *(p for p, _ in laboratory[:COUNT]))[0] == 2


@pytest.mark.slow
def test_its_forecasts_name_their_origin_and_hold_the_truth_of_new_runs(learnt, laboratory):
    path, _ = learnt
    held = []
    for recording, top in laboratory[COUNT:]:
        code, out, err = answer(
            "forecast", recording, "--prior", path, "--at", "3 min", "--at", "6 min", "--at", "12 min", "--json", "-"
        )
        assert code == 0, err
        whole = json.loads(out)
        assert whole["prior"]["origin"] == "own runs"
        assert len(whole["prior"]["identities"]) == COUNT
        assert whole["prior"]["same_definitions"] is True
        for entry in whole["forecasts"]:
            if entry["key"] == "plateau" and entry["well"] == "base" and entry["estimate"]["value"] is not None:
                low, high = entry["estimate"]["low"], entry["estimate"]["high"]
                held.append((low or 0.0) <= top <= high)
    assert len(held) >= 30
    # 0.1 % of samples of 36 with a true coverage of 95 % have fewer than 29 inside.
    assert np.mean(held) >= 29 / 36
    code, out, _ = answer("forecast", laboratory[-1][0], "--prior", path, "--at", "6 min")
    assert "learnt from: own runs" in " ".join(out.split())
    assert "Virtual blood" not in out
