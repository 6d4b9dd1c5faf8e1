"""What is told where the model ends: gaps closed by ice, mist, a current that a supply holds."""

from dataclasses import replace
from io import StringIO

import numpy as np
import pytest
from rich.console import Console

from ctrl import screen_simulate
from ctrl.config import build_config, load_config, plain_data
from ctrl.simulation import simulate
from plant import cabinet, steady
from plant.constants import ZERO_C_K


@pytest.fixture(scope="module")
def damp_run():
    """A damp kitchen and a door that stands open for a minute, every hour of a day."""
    data = plain_data(load_config("galley_larder"))
    data["climate"] |= {"relative_humidity_pct": 95, "worst_humidity_pct": 95, "usual_c": 30}
    data["use"] |= {"door_openings_per_day": 24, "door_open_s": 60, "door_first_hour": 0,
                    "door_last_hour": 24}  # fmt: skip
    return simulate(build_config(data, "damp"), days=0.5, seed=1)


def said(run):
    out = Console(file=StringIO(), width=200)
    screen_simulate.show(out, run)
    return " ".join(out.file.getvalue().split())


def test_mist_is_no_humidity_above_saturation(damp_run):
    assert damp_run.findings.air_rh_pct.max == 100.0  # and would be more but for the mist's share
    assert np.max(damp_run.record["air_rh_pct"]) == 100.0


def test_a_steady_state_full_of_mist_is_saturated(example_plant):
    record = cabinet.to_record(example_plant)
    state = cabinet.uniform_state(example_plant, ZERO_C_K + 10.0, 0.005)
    cabinet.set_air(record, state, ZERO_C_K + 10.0, 0.009)  # 0.0077 is saturated
    inputs = steady.steady_inputs(example_plant, 0.5, ZERO_C_K + 25.0)
    assert steady.describe(example_plant, record, state, inputs).relative_humidity == 1.0


def test_closed_gaps_leave_still_air(example_plant):
    """Ice of half a gap and more: 4 mm of gap, 0.12 m2 of fins, 2 mm on each."""
    record, sink = cabinet.to_record(example_plant), example_plant.cold_sink
    state = cabinet.uniform_state(example_plant, ZERO_C_K - 5.0, 0.0)
    films = []
    for thickness_m in (0.0019, 0.00199, 0.002, 0.003):
        state[cabinet.FROST_VOLUME] = thickness_m * sink.fin_area_m2
        state[cabinet.FROST] = 200.0 * state[cabinet.FROST_VOLUME]
        films.append(cabinet.cold_sink_film(record, state, 1.0)[0])
    assert films == sorted(films, reverse=True)
    # 5 and 0.5 % of the gap are left: its 1.5th power of the fan's part.
    driven = sink.fan_w_per_k - sink.no_fan_w_per_k
    assert films[0] == pytest.approx(sink.no_fan_w_per_k + driven * 0.05**1.5, rel=1e-6)
    assert films[2] == films[3] == sink.no_fan_w_per_k


def test_the_screen_says_when_ice_closes_the_gaps(damp_run):
    assert "ICE CLOSES THE FIN GAPS" not in said(damp_run)
    closed = replace(damp_run, findings=replace(damp_run.findings, blockage_pct_max=95.0))
    assert "ICE CLOSES THE FIN GAPS" in said(closed)
