"""Dual numbers against closed slopes, and the uncompiled twins against the compiled kernels."""

import math
from dataclasses import replace

import numpy as np
import pytest

from plant import cabinet, stage, steady
from plant.constants import ZERO_C_K
from plant.dual import Dual, exp, log, plain, plain_record, sqrt

UNIT = np.eye(1)[0]


@pytest.mark.parametrize(("function", "slope"), [
    (lambda x: x * x * x - 2.0 * x + 1.0, lambda x: 3.0 * x * x - 2.0),
    (lambda x: 1.0 / (2.0 - x), lambda x: 1.0 / (2.0 - x) ** 2),
    (lambda x: (x - 3.0) / x, lambda x: 3.0 / x**2),
    (lambda x: x**1.5 + 2.0**x, lambda x: 1.5 * x**0.5 + math.log(2.0) * 2.0**x),
    (lambda x: exp(-x) * log(x) + sqrt(x),
     lambda x: math.exp(-x) * (1.0 / x - math.log(x)) + 0.5 / math.sqrt(x)),
    (lambda x: abs(-x) + max(x, 0.5) + min(x, 0.5), lambda x: 2.0),
    (lambda x: np.float64(3.0) * x - np.float64(1.0) / x + x**x,
     lambda x: 3.0 + 1.0 / x**2 + x**x * (math.log(x) + 1.0)),
])  # fmt: skip
def test_slopes_are_those_of_calculus(function, slope):
    for x in (0.7, 1.3):
        found = function(Dual(x, UNIT))
        assert found.value == pytest.approx(function(x), rel=1e-15)
        assert found.slopes[0] == pytest.approx(slope(x), rel=1e-14)


def test_slopes_are_not_lost_unseen():
    with pytest.raises(TypeError, match="lose its slopes"):
        math.sin(Dual(1.0, UNIT))


def test_twins_give_what_the_kernels_give(example_plant):
    record = cabinet.to_record(example_plant)
    op = steady.operating_point(example_plant, 0.6, ZERO_C_K + 25.0)
    state = op.state.copy()
    state[cabinet.FROST], state[cabinet.FROST_VOLUME] = 0.05, 2e-4
    compiled, twin = np.zeros(cabinet.STATES), np.zeros(cabinet.STATES)
    cabinet.derivative(record, state, op.inputs, compiled)
    plain(cabinet.derivative)(plain_record(record), state, op.inputs, twin)
    assert twin == pytest.approx(compiled, rel=1e-11, abs=1e-12)


def test_two_stages_have_exact_slopes_too(example_plant):
    """Their middle temperatures are sought; against central differences of 1e-3 K."""
    both = replace(
        example_plant.module, temperature_dependence=1, stages=2, upper_share=0.3,
        middle_contact_w_per_k=4.0,
    )  # fmt: skip
    record = cabinet.to_record(replace(example_plant, module=both))
    twin, parts = plain(stage.on_drive), plain_record(record)

    def cooling_w(cold_k):
        return stage.on_drive(record.module, record.drive, 0.8, cold_k, 310.0)[3]

    found = twin(parts.module, parts.drive, 0.8, Dual(270.0, UNIT), 310.0)[3]
    slope = (cooling_w(270.001) - cooling_w(269.999)) / 2e-3
    assert found.value == pytest.approx(cooling_w(270.0), rel=1e-9)
    assert found.slopes[0] == pytest.approx(slope, rel=1e-6)
