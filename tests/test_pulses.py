"""Fast pulses averaged on the means of I and I^2, against every pulse resolved."""

from dataclasses import replace

import numpy as np
import pytest

from plant import cabinet, drive, integrate
from plant.constants import ZERO_C_K


def cooling_j(plant, state, inputs, seconds, frequency_hz):
    """Return the module's cooling [J] and plug energy [J] with each pulse switched by itself."""
    record = cabinet.to_record(plant)
    state, inputs, work = state.copy(), inputs.copy(), integrate.work_array()
    duty, period_s = inputs[cabinet.DUTY], 1.0 / frequency_hz
    for _ in range(round(seconds * frequency_hz)):
        for level, length_s in ((1.0, duty * period_s), (0.0, (1.0 - duty) * period_s)):
            inputs[cabinet.DUTY] = level
            integrate.advance(record, state, inputs, length_s, length_s, work)
    return state[cabinet.MODULE_COOLING], state[cabinet.PLUG_ENERGY]


@pytest.mark.parametrize(("duty", "frequency_hz"), [(0.3, 100.0), (0.6, 100.0), (0.6, 400.0)])
def test_averaged_pulses_cool_as_resolved_ones_do(example_plant, duty, frequency_hz):
    # A face of 6 J/K and +/-24 W moves about 2.7 K / f: 0.03 K at 100 Hz, so the mean of the
    # products differs from the product of the means by less than one part in a thousand.
    plant = replace(example_plant, drive=replace(example_plant.drive, kind=drive.FAST_PWM))
    state = cabinet.uniform_state(plant, ZERO_C_K + 12.0, 0.004)
    state[cabinet.HOT_SINK] = state[cabinet.HOT_FACE] = ZERO_C_K + 35.0
    inputs = np.zeros(cabinet.INPUTS)
    inputs[[cabinet.AMBIENT, cabinet.AMBIENT_W]] = ZERO_C_K + 25.0, 0.01
    inputs[[cabinet.DUTY, cabinet.HOT_FAN, cabinet.COLD_FAN]] = duty, 1.0, 1.0
    resolved, resolved_plug = cooling_j(plant, state, inputs, 20.0, frequency_hz)
    averaged = state.copy()
    integrate.advance(cabinet.to_record(plant), averaged, inputs, 20.0, 0.1, integrate.work_array())
    print(
        f"duty {duty}, {frequency_hz:g} Hz: cooling {averaged[cabinet.MODULE_COOLING]:.3f} J "
        f"averaged, {resolved:.3f} J resolved"
    )
    assert averaged[cabinet.MODULE_COOLING] == pytest.approx(resolved, rel=2e-3)
    assert averaged[cabinet.PLUG_ENERGY] == pytest.approx(resolved_plug, rel=1e-3)


def test_slow_pulses_do_not_average_out(example_plant):
    # Negative control: at 1 Hz the faces follow each pulse and the averaged form is off.
    plant = replace(example_plant, drive=replace(example_plant.drive, kind=drive.FAST_PWM))
    state = cabinet.uniform_state(plant, ZERO_C_K + 12.0, 0.004)
    state[cabinet.HOT_SINK] = state[cabinet.HOT_FACE] = ZERO_C_K + 35.0
    inputs = np.zeros(cabinet.INPUTS)
    inputs[[cabinet.AMBIENT, cabinet.AMBIENT_W]] = ZERO_C_K + 25.0, 0.01
    inputs[[cabinet.DUTY, cabinet.HOT_FAN, cabinet.COLD_FAN]] = 0.5, 1.0, 1.0
    slow, _ = cooling_j(plant, state, inputs, 20.0, 0.5)
    fast, _ = cooling_j(plant, state, inputs, 20.0, 400.0)
    assert abs(slow / fast - 1.0) > 2e-3
