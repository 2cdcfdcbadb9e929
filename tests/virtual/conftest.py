from __future__ import annotations

from collections.abc import Callable

import pytest

from stanch.virtual.scenario import Scenario, parse_scenario

HEAD = """
schema = "stanch.scenario/1"
name = "small run"
seed = 11
started_at = "2026-03-02T09:30:00+01:00"

[sample]
sample = "demo-small"
role = "gel"
drawn_at = "2026-03-02T09:10:00+01:00"
received_at = "2026-03-02T09:15:00+01:00"

[run]
pushes = {pushes}
push_interval = "15 s"
first_push = "5 s"

[acquisition]
sampling_rate = "40 MHz"
centre_frequency = "9 MHz"
sound_speed = "1575 m/s"
density = "1045 kg/m^3"
frame_interval = "500 us"
frames = {frames}
frames_before_push = 2
push_duration = "200 us"
first_sample_depth = "-1.3 mm"
samples = 128

[geometry]
well_radius = "2.8 mm"
well_depth = "7 mm"
beam_from = "{beam_from}"
focus_height = "3.2 mm"
lid = "rigid"
push_radius = "0.4 mm"
push_length = "2.2 mm"
beam_radius = "0.19 mm"

[instrument]
push_force = "65 kN/m^3"
signal_to_noise = "34 dB"
{instrument}
"""

WELL = """
[[well]]
name = "{name}"
activator = "tissue factor"
additives = ["neutraliser"]

[well.curve]
{curve}
"""

GEL = 'modulus = "300 Pa"\nviscosity = "0.1 Pa·s"'
LIQUID = 'start = "never"\nnetwork_modulus = "1 Pa"\nnetwork_time = "1 min"'


@pytest.fixture
def scenario_text() -> Callable[..., str]:
    def build(
        wells: dict[str, str] | None = None,
        *,
        faults: str = "",
        pushes: int = 4,
        frames: int = 12,
        instrument: str = "",
        beam_from: str = "base",
    ) -> str:
        text = HEAD.format(pushes=pushes, frames=frames, instrument=instrument, beam_from=beam_from)
        for name, curve in (wells or {"gel": GEL}).items():
            text += WELL.format(name=name, curve=curve)
        return text + faults

    return build


@pytest.fixture
def scenario(scenario_text) -> Callable[..., Scenario]:
    return lambda *args, **kwargs: parse_scenario(scenario_text(*args, **kwargs))
