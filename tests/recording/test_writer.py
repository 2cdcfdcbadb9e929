from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from recording_samples import ACQUISITION, FRAME_TIME, FRAMES, SAMPLE, SAMPLES, echo_block, layouts

from stanch.errors import RecordingError, UsageError
from stanch.recording.container import WellLayout, Writer, create, open_recording
from stanch.recording.records import SampleFacts, Well


@pytest.fixture
def writer(tmp_path: Path) -> Writer:
    made = create(tmp_path / "a.h5", sample=SAMPLE, wells=layouts(), acquisition=ACQUISITION, geometry=None)
    made.append("plain", 0.0, echo_block(0))
    made.append("curve", 0.0, 1.0, viscosity=0.1)
    return made


SHAPE = (FRAMES, SAMPLES)
BAD_PUSHES: list[tuple[str, dict[str, Any], str]] = [
    ("unknown well", {"well": "plane"}, "well; got plane; allowed: plain, traces, curve"),
    (
        "backwards",
        {"push_time": -1.0},
        "well plain, push 1: push_time; got -1 s after 0 s; allowed: times that increase",
    ),
    ("repeated", {"push_time": 0.0}, "got 0 s after 0 s"),
    ("no time", {"push_time": np.nan}, "push_time; got nan; allowed: a finite number of seconds"),
    ("shape", {"block": np.zeros((3, 4), np.int16)}, r"echo; got shape \(3, 4\); allowed: shape \(8, 24\)"),
    ("float as int", {"block": np.zeros(SHAPE)}, "echo; got float64; allowed: int16"),
    ("too large", {"block": np.full(SHAPE, 40000)}, "got values beyond int16"),
    ("text", {"block": np.full(SHAPE, "a")}, "got <U1; allowed: int16"),
    ("column", {"viscosity": 0.1}, "viscosity; got a value; allowed: nothing beside a echo"),
    ("nan", {"well": "traces", "block": np.full(FRAMES, np.nan)}, "displacement; got NaN or infinity"),
    ("inf", {"well": "curve", "block": np.inf, "viscosity": 1.0}, "well curve, push 1: modulus; got NaN or infinity"),
    ("missing column", {"well": "curve", "block": 1.0}, "columns; got none; allowed: those of push 0: viscosity"),
    (
        "sd",
        {"well": "traces", "block": np.zeros(FRAMES), "sd": np.full(FRAMES, -1.0)},
        "_sd; got -1.0; allowed: no neg",
    ),
]


@pytest.mark.parametrize(("bad", "said"), [b[1:] for b in BAD_PUSHES], ids=[b[0] for b in BAD_PUSHES])
def test_a_push_that_cannot_be_recorded_leaves_nothing(writer: Writer, bad: dict[str, Any], said: str) -> None:
    push = {"well": "plain", "push_time": 5.0, "block": echo_block(1), **bad}
    with pytest.raises(RecordingError, match=said) as caught:
        writer.append(**push)
    assert caught.value.exit_code == 3
    assert writer.append("plain", 5.0, echo_block(1)) == 2
    assert writer.append("curve", 5.0, 2.0, viscosity=0.2) == 2
    writer.close()
    with open_recording(writer.path) as run:
        assert [run.push_count(w.name) for w in run.wells] == [2, 0, 2]


BAD_WELLS: list[tuple[str, list[WellLayout], str]] = [
    ("none", [], "wells; got none"),
    (
        "same name",
        [WellLayout(Well("a"), "modulus", None), WellLayout(Well("a"), "modulus", None)],
        "the same name twice",
    ),
    ("nfc", [WellLayout(Well(n), "modulus", None) for n in ("\u00e9", "e\u0301")], "the same name twice"),
    ("blank", [WellLayout(Well(" a"), "modulus", None)], "text without outer blanks"),
    ("control", [WellLayout(Well("a\n"), "modulus", None)], "text without control characters"),
    ("kind", [WellLayout(Well("a"), "sound", None)], "kind; got sound; allowed: echo, displacement, modulus"),  # type: ignore[arg-type]
    ("frames", [WellLayout(Well("a"), "displacement", None)], "frame_time; allowed: one or more times"),
    ("order", [WellLayout(Well("a"), "displacement", FRAME_TIME[::-1])], "at frame 1 after .* times that increase"),
    ("nan", [WellLayout(Well("a"), "displacement", FRAME_TIME * np.nan)], "frame_time; got NaN or infinity"),
    (
        "late",
        [WellLayout(Well("a"), "echo", FRAME_TIME + 1, sample_count=9)],
        "got 0 negative times; allowed: at least",
    ),
    ("early", [WellLayout(Well("a"), "displacement", FRAME_TIME - 1)], "no frame after the start of the push"),
    ("samples", [WellLayout(Well("a"), "echo", FRAME_TIME)], "sample_count; allowed: 1 or more"),
    (
        "dtype",
        [WellLayout(Well("a"), "echo", FRAME_TIME, None, 9, "float64")],
        "dtype; got float64; allowed: int16, int32",
    ),
    ("frequency", [WellLayout(Well("a"), "modulus", None, frequency=-1.0)], "frequency; got -1.0"),
    ("misplaced", [WellLayout(Well("a"), "displacement", FRAME_TIME, frequency=1.0)], "None unless it holds a modulus"),
    (
        "time",
        [WellLayout(Well("a", activated_at="2026-03-01T09:00"), "modulus", None)],
        "activated_at.*this time is naive",
    ),
    ("number", [WellLayout(Well("a", fill_height=np.nan), "modulus", None)], "fill_height; got nan; allowed: a finite"),
]


@pytest.mark.parametrize(("wells", "said"), [b[1:] for b in BAD_WELLS], ids=[b[0] for b in BAD_WELLS])
def test_wells_that_cannot_be_recorded_leave_no_file(tmp_path: Path, wells: list[WellLayout], said: str) -> None:
    with pytest.raises(RecordingError, match=said) as caught:
        create(tmp_path / "a.h5", sample=SAMPLE, wells=wells, acquisition=ACQUISITION, geometry=None)
    assert caught.value.exit_code == 3
    assert list(tmp_path.iterdir()) == []


def test_echoes_need_an_acquisition(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match=r"well plain: acquisition; .*echo needs one"):
        create(tmp_path / "a.h5", sample=SAMPLE, wells=layouts(), acquisition=None, geometry=None)


def test_facts_that_cannot_be_stored_are_refused(tmp_path: Path) -> None:
    modulus = [WellLayout(Well("a"), "modulus", None)]
    for facts, said in (
        ({"sample": replace(SAMPLE, drawn_at="2026-03-01 08:00")}, "sample: drawn_at.*this time is naive"),
        ({"sample": SampleFacts("s", site="x" * 5000)}, "site; got 5000 bytes; allowed: up to 4096 bytes"),
        ({"started_at": "yesterday"}, "started_at; got yesterday; allowed: an ISO 8601"),
        ({"operator": "a\x00b"}, "operator; .*without control characters"),
        ({"sample": SampleFacts("s", platelets="many")}, "platelets; got many; allowed: a number"),
    ):
        options: dict[str, Any] = {"sample": SAMPLE, **facts}
        with pytest.raises(RecordingError, match=said):
            create(tmp_path / "a.h5", wells=modulus, acquisition=None, geometry=None, **options)
        assert list(tmp_path.iterdir()) == []


def test_notes_and_temperatures_are_checked(writer: Writer) -> None:
    writer.temperature(10.0, 310.0)
    for call, said in (
        (lambda: writer.note("  "), "note; got"),
        (lambda: writer.note("x" * 1025), "got 1025 bytes; allowed: up to 1024 bytes"),
        (lambda: writer.note("x", at="2026-03-01T08:00:00"), "at of a note.*this time is naive"),
        (lambda: writer.temperature(5.0, 310.0), "time; got 5 s after 10 s"),
        (lambda: writer.temperature(15.0, 0.0), "temperature; got 0.0; allowed: a positive finite number of kelvin"),
    ):
        with pytest.raises(RecordingError, match=said):
            call()
    writer.note("two\nlines")
    writer.close()
    with open_recording(writer.path) as run:
        assert [n.text for n in run.notes()] == ["two\nlines"]
        assert run.temperature_count == 1


def test_a_closed_writer_refuses(writer: Writer) -> None:
    writer.close()
    writer.close()
    with pytest.raises(UsageError, match="got closed; allowed: an open writer"):
        writer.append("plain", 5.0, echo_block(1))
