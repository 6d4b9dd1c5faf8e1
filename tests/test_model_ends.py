"""What is told where the model ends: gaps closed by ice, mist, a current that a supply holds."""

from dataclasses import replace
from io import StringIO

import numpy as np
import pytest
from rich.console import Console

from ctrl import screen_simulate
from ctrl.build import plant_of
from ctrl.cautions import collapse_cautions
from ctrl.config import build_config, load_config, plain_data
from ctrl.simulation import simulate
from plant import cabinet, drive, steady
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


# A regulated current on a supply that holds its own ---------------------------------------


def by_kirchhoff(efficiency, limit_a, set_a, seebeck_v, ohm, supply_v):
    """Return the current [A] by hand: a converter regulates, is wide open, or collapses."""
    asked_v = seebeck_v + ohm * set_a
    if asked_v > supply_v:  # wide open; the supply may hold its current then as well
        return min((supply_v - seebeck_v) / ohm, efficiency * limit_a)
    if set_a * asked_v / efficiency <= limit_a * supply_v:
        return set_a
    return efficiency * limit_a  # its voltage is the module's: e + R I


@pytest.mark.parametrize("efficiency", [0.85, 0.92, 0.97])
@pytest.mark.parametrize("set_a", [3.0, 4.0, 4.7, 5.0])
def test_a_regulated_current_by_kirchhoff(efficiency, set_a, example_plant, note):
    limit_a, seebeck_v = 5.0, 2.0
    sure_a, worst = efficiency * limit_a, 0.0
    for supply_v in (12.0, 24.0):
        for ohm in np.linspace(1.0, 6.0, 41):
            part = replace(
                example_plant.drive, kind=drive.CURRENT, supply_v=supply_v, source_ohm=0.0,
                current_limit_a=limit_a, wire_ohm=0.0, switch_ohm=0.0, set_current_a=set_a,
                converter_efficiency=efficiency, ripple=0.0,
            )  # fmt: skip
            record = cabinet.to_record(replace(example_plant, drive=part)).drive
            found, _, _ = drive.mean_currents(record, seebeck_v / 30.0, ohm, 1.0, 30.0)
            true = by_kirchhoff(efficiency, limit_a, set_a, seebeck_v, ohm, supply_v)
            worst = max(worst, found / true - 1.0)
            assert found > true - 1e-9
            if set_a <= sure_a:
                assert found == pytest.approx(true, rel=1e-9)
    note(f"{efficiency:g}, {set_a:g} A: at most {100.0 * worst:.1f} % above")
    assert worst <= max(set_a / sure_a - 1.0, 1e-9)


def regulated(set_a, **supply):
    data = plain_data(load_config("film_box"))
    data["supply"] |= {"current_limit_a": 4.0, "highest_voltage_v": 12.0, "lowest_voltage_v": 12.0,
                       "voltage_v": 12.0, "protection": "constant_current", **supply}  # fmt: skip
    data["drive"] = {"kind": "current", "set_current_a": set_a, "converter_efficiency": 0.9}
    data["module"] = {"preset": "127 couples 6 A"}
    return build_config(data, "regulated")


def test_a_supply_that_may_collapse_is_told():
    config = regulated(3.9)
    plant = plant_of(config)
    (told,) = collapse_cautions(config, plant)
    assert "the module gets 3.6 A, up to 8 % less" in told
    # By hand: I (a dT + R I)/0.9 = 4 A (12 V - 4 A r), ripple 5 %.
    part, mod = plant.drive, plant.module
    ohm = (mod.resistance_ohm + part.wire_ohm + part.switch_ohm) * 1.0025
    most_w = 4.0 * (12.0 - 4.0 * part.source_ohm)
    apart_k = (0.9 * most_w / 3.9 - 3.9 * ohm) / mod.seebeck_v_per_k
    assert f"From {max(int(np.ceil(apart_k)), 0)} K between" in told


@pytest.mark.parametrize(
    ("set_a", "supply"), [(3.6, {}), (3.9, {"protection": "hiccup"}),
                          (3.9, {"highest_voltage_v": 48.0, "voltage_v": 48.0,
                                 "lowest_voltage_v": 48.0})],
)  # fmt: skip
def test_nothing_is_told_where_it_cannot(set_a, supply):
    config = regulated(set_a, **supply)
    assert collapse_cautions(config, plant_of(config)) == []
