"""The plant's two-node wall against a wall of many nodes, layers, and the wet outside."""

from dataclasses import dataclass, replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.linalg import expm

from ctrl.build import box_of
from ctrl.config import ConfigError, build_config, load_config, plain_data
from plant import cabinet, envelope
from plant.constants import ZERO_C_K

FILM = 8.0  # W/(m2 K), both sides
DAY_S = 86400.0


@dataclass(frozen=True)
class Foam:
    """A square metre of wall: foam, and heat of a lining inside [m, SI, J/(m2 K)]."""

    thick_m: float
    conductivity: float
    density: float
    heat: float
    lining: float = 0.0

    @property
    def u_value(self):
        return 1.0 / (2.0 / FILM + self.thick_m / self.conductivity)


# Conductivity, density and heat as in plant/presets/foams.toml; thicknesses invented.
EPS = Foam(0.050, 0.0345, 20.0, 1450.0)
LINED = replace(EPS, lining=1500.0)  # 3 mm of hardboard's heat
PUR = Foam(0.100, 0.026, 35.0, 1400.0)  # aged


@pytest.fixture
def two_nodes(example_plant):
    """Return a function that gives (A, b_in, b_out, to_air) of the plant's own wall.

    One square metre, read off `cabinet.derivative`: with dry air the slopes are linear in
    the two wall temperatures, the air and the room.
    """

    def of(foam):
        half = 0.5 * foam.thick_m * foam.density * foam.heat
        box = replace(
            example_plant.envelope, foam_w_per_k=foam.conductivity / foam.thick_m,
            inside_film_w_per_k=FILM, outside_film_w_per_k=FILM, foam_slope_per_k=0.0,
            inner_heat_capacity_j_per_k=half + foam.lining, outer_heat_capacity_j_per_k=half,
            direct_w_per_k=0.0, leak_per_s=0.0,
        )  # fmt: skip
        plant = replace(example_plant, envelope=box)
        record = cabinet.to_record(plant)

        def slopes(inner, outer, air, room):
            """Return (d inner/dt, d outer/dt [K/s], heat from the wall to the air [W])."""
            state = cabinet.uniform_state(plant, ZERO_C_K + 20.0, 0.0)
            cabinet.set_wall_inner(record, state, ZERO_C_K + 20.0 + inner)
            cabinet.set_air(record, state, ZERO_C_K + 20.0 + air, 0.0)
            state[cabinet.WALL_OUTER] += outer
            inputs, out = np.zeros(cabinet.INPUTS), np.zeros((2, cabinet.STATES))
            inputs[cabinet.AMBIENT], inputs[cabinet.COLD_FAN] = ZERO_C_K + 20.0 + room, 1.0
            cabinet.derivative(record, state, inputs, out[0])
            cabinet.set_wall_inner(record, state, ZERO_C_K + 20.0)
            cabinet.derivative(record, state, inputs, out[1])
            to_air = out[0, cabinet.AIR_H] - out[1, cabinet.AIR_H]  # all else is the same
            inner_slope = out[0, cabinet.WALL_INNER_H] / (half + foam.lining)
            return inner_slope, out[0, cabinet.WALL_OUTER], to_air

        by = np.array([slopes(*unit) for unit in np.eye(4)])
        return by[:2, :2].T, by[2, :2], by[3, :2], by[0, 2]

    return of


def many_nodes(foam, count=80):
    """Return the same of `count` slices; the lining is a node of its own on the inside."""
    slice_m = foam.thick_m / count
    link, edge = foam.conductivity / slice_m, 2.0 * foam.conductivity / slice_m
    heat = np.full(count, slice_m * foam.density * foam.heat)
    a, b_in, b_out = np.zeros((count, count)), np.zeros(count), np.zeros(count)
    for n in range(count - 1):
        a[n, n] -= link
        a[n, n + 1] += link
        a[n + 1, n + 1] -= link
        a[n + 1, n] += link
    to_room = FILM * edge / (FILM + edge)
    a[-1, -1] -= to_room
    b_out[-1] = to_room
    if foam.lining > 0.0:
        whole = np.zeros((count + 1, count + 1))
        whole[1:, 1:] = a
        whole[0, 0] -= edge + FILM
        whole[0, 1] += edge
        whole[1, 0] += edge
        whole[1, 1] -= edge
        heat = np.concatenate([[foam.lining], heat])
        b_in, b_out = np.zeros(count + 1), np.concatenate([[0.0], b_out])
        b_in[0] = FILM
        return whole / heat[:, None], b_in / heat, b_out / heat, FILM
    a[0, 0] -= to_room
    b_in[0] = to_room
    return a / heat[:, None], b_in / heat, b_out / heat, to_room


def swing_w_per_k(wall):
    """Return the complex heat into the air [W/m2] for 1 K of daily swing of the room."""
    a, _, b_out, to_air = wall
    omega = 2.0 * np.pi / DAY_S
    nodes = np.linalg.solve(1j * omega * np.eye(len(a)) - a, b_out)
    return to_air * nodes[0]


def step_w(wall, times_s, indoors=False):
    """Return the heat into the air [W/m2] after a step of 1 K of the room, or of the air."""
    a, b_in, b_out, to_air = wall
    drive = b_in if indoors else b_out
    steady = np.linalg.solve(-a, drive)
    return np.array(
        [to_air * ((steady - expm(a * t) @ steady)[0] - float(indoors)) for t in times_s]
    )


# Foam, and what the two nodes may miss of the swing: amplitude [share], delay [s]. Thick foam
# is a wave that two nodes pass too slowly; the bounds are a little above what was found.
SWINGS = [
    ("EPS 50 mm", EPS, 0.005, 60.0),
    ("EPS 50 mm, lined", LINED, 0.005, 450.0),
    ("EPS 100 mm", replace(EPS, thick_m=0.1), 0.005, 240.0),
    ("EPS 200 mm", replace(EPS, thick_m=0.2), 0.035, 600.0),
    ("PUR 100 mm", PUR, 0.015, 400.0),
    ("PUR 200 mm", replace(PUR, thick_m=0.2), 0.12, 1000.0),
]


@pytest.mark.parametrize(("name", "foam", "share", "late"), SWINGS, ids=[s[0] for s in SWINGS])
def test_daily_swing_of_the_room(name, foam, share, late, two_nodes, note):
    """Amplitude and delay against the wall of 80 slices."""
    ours, exact = swing_w_per_k(two_nodes(foam)), swing_w_per_k(many_nodes(foam))
    late_s = (np.angle(exact) - np.angle(ours)) * DAY_S / (2.0 * np.pi)
    wrong = abs(ours) / abs(exact) - 1.0
    note(f"{name}: amplitude {100 * wrong:+.2f} %, late by {late_s:+.0f} s, of steady "
         f"{abs(ours) / foam.u_value:.3f}")  # fmt: skip
    # All calm the swing; a wall without heat would pass U whole.
    assert abs(exact) < foam.u_value
    assert abs(wrong) < share
    assert abs(late_s) < late


def test_slices_are_many_enough():
    for foam in (LINED, replace(PUR, thick_m=0.2)):
        coarse, fine = swing_w_per_k(many_nodes(foam, 40)), swing_w_per_k(many_nodes(foam))
        assert abs(coarse / fine - 1.0) < 1e-3


def test_step_of_the_room(two_nodes, note):
    """Heat flow after 5, 15, 60 and 240 minutes, as share of the steady flow."""
    times = np.array([300.0, 900.0, 3600.0, 14400.0])
    ours, exact = (step_w(wall, times) / EPS.u_value for wall in (two_nodes(EPS), many_nodes(EPS)))
    note("step: two nodes " + " ".join(f"{x:.3f}" for x in ours) + ", slices "
         + " ".join(f"{x:.3f}" for x in exact))  # fmt: skip
    assert np.all(np.abs(ours - exact) < 0.10)  # of the steady flow, worst in the first minutes
    assert abs(ours[-1] - exact[-1]) < 1e-3


def test_step_of_the_air(two_nodes, note):
    """The first minute is where two nodes miss the surface's quick give; later they agree."""
    times = np.array([60.0, 300.0, 3600.0])
    ours, exact = (step_w(wall, times, indoors=True) for wall in (two_nodes(EPS), many_nodes(EPS)))
    note("air step: two nodes " + " ".join(f"{x:.2f}" for x in ours) + ", slices "
         + " ".join(f"{x:.2f}" for x in exact) + " W/(m2 K)")  # fmt: skip
    assert abs(ours[-1] / exact[-1] - 1.0) < 0.02
    assert abs(ours[0]) < 8.0 and abs(exact[0]) < 8.0


@pytest.mark.parametrize("foam", [EPS, LINED, PUR], ids=["EPS", "lined", "PUR"])
def test_steady_flow_is_exact(foam, two_nodes):
    for wall in (two_nodes(foam), many_nodes(foam)):
        a, _, b_out, to_air = wall
        assert to_air * np.linalg.solve(-a, b_out)[0] == pytest.approx(foam.u_value, rel=1e-6)


# Foam that conducts better when warm -----------------------------------------------------------


def test_foam_follows_the_wall_s_own_temperature(example_plant):
    """Steady flow through a foam k(T) = k10 (1 + b (T - 283.15)): the exact mean is k at the mean.

    Against scipy on 1-D steady conduction with k(T), surfaces at the plant's.
    """
    slope = 1.77e-4 / 0.0345  # EPS, supplier's points to ASTM C578
    box = replace(example_plant.envelope, foam_slope_per_k=slope, foam_reference_k=283.15)
    plant = replace(example_plant, envelope=box)
    record = cabinet.to_record(plant)
    state = cabinet.uniform_state(plant, ZERO_C_K + 5.0, 0.0)
    cabinet.set_wall_inner(record, state, ZERO_C_K + 12.0)
    state[cabinet.WALL_OUTER] = ZERO_C_K + 28.0
    found = cabinet.foam_conductance(record, state)
    inner, outer = 277.15, 309.15  # linear profile through the two nodes: 4 and 36 °C

    def profile(_, kelvin):
        return 1.0 / (1.0 + slope * (kelvin - 283.15))

    # q from the integral of k dT, by its own equation dT/dx = q / k(T): find q that spans it.
    low, high = 0.5, 2.0
    for _ in range(50):
        q = 0.5 * (low + high)
        end = solve_ivp(lambda x, t, q=q: q * (outer - inner) * profile(x, t), (0.0, 1.0), [inner],
                        rtol=1e-9).y[0, -1]  # fmt: skip
        low, high = (q, high) if end < outer else (low, q)
    assert found == pytest.approx(0.45 * q, rel=1e-5)
    assert found / 0.45 == pytest.approx(1.0 + slope * 10.0, rel=1e-9)  # mean 20 °C


# Layers, metal, outside ----------------------------------------

BOX = envelope.Box(0.30, 0.30, 0.35, 0.04, 0.04, 0.04, 0.04, 0.04, 0.04, 0.036)


def test_layers_by_hand():
    """6 mm plywood at 0.13 outside, 3 mm hardboard at 0.15 inside 40 mm of foam at 0.036."""
    box = replace(BOX, outer_layer_m=0.006, outer_layer_w_per_m_k=0.13, inner_layer_m=0.003,
                  inner_layer_w_per_m_k=0.15)  # fmt: skip
    resistance = 0.04 / 0.036 + 0.006 / 0.13 + 0.003 / 0.15
    parts = envelope.wall_parts_w_per_k(box)
    assert parts["faces"] == pytest.approx(0.600 / resistance, rel=1e-12)
    alike = 0.049 / resistance
    assert parts["edges"] == pytest.approx(2.052 * alike, rel=1e-9)
    assert parts["corners"] == pytest.approx(8 * 0.15 * 0.049 * alike, rel=1e-9)
    assert box.outside_m == pytest.approx((0.398, 0.398, 0.448))
    # The foam's volume is between the layers, not through them.
    inner, outer = (0.306, 0.306, 0.356), (0.386, 0.386, 0.436)
    assert box.foam_volume_m3 == pytest.approx(np.prod(outer) - np.prod(inner), rel=1e-12)


def test_each_face_may_have_its_own_layer():
    """By hand: 20 mm of vacuum panel at 0.005 on the top alone, 0.09 m2 of 0.600 inside."""
    panel = replace(
        BOX, outer_layer_m=(0.0, 0.0, 0.0, 0.0, 0.020, 0.0), outer_layer_w_per_m_k=0.005
    )
    bare = 0.04 / 0.036
    faces = envelope.wall_parts_w_per_k(panel)["faces"]
    assert faces == pytest.approx(0.51 / bare + 0.09 / (bare + 4.0), rel=1e-12)
    assert panel.outside_m == pytest.approx((0.38, 0.38, 0.45))
    assert panel.foam_volume_m3 == pytest.approx(BOX.foam_volume_m3, rel=1e-12)
    alike = replace(BOX, outer_layer_m=(0.006,) * 6)
    assert envelope.wall_parts_w_per_k(alike) == envelope.wall_parts_w_per_k(
        replace(BOX, outer_layer_m=0.006)
    )


def test_a_layer_of_one_face_by_its_key():
    data = plain_data(load_config("seed_store"))
    data["cabinet"] |= {
        "outer_layer_mm": 5.0,
        "outer_layer_top_mm": 25.0,
        "outer_layer_back_mm": 0.0,
    }
    box = box_of(build_config(data, "seed_store"))
    assert box.outer_m == pytest.approx((0.005, 0.0, 0.005, 0.005, 0.025, 0.005))


def test_nothing_shines_on_more_than_half_of_the_outside():
    data = plain_data(load_config("seed_store"))
    half_m2 = 0.5 * box_of(load_config("seed_store")).outside_area_m2
    data["cabinet"]["sunlit_area_m2"] = 0.99 * half_m2
    build_config(data, "seed_store")
    data["cabinet"]["sunlit_area_m2"] = 1.01 * half_m2
    with pytest.raises(ConfigError, match=rf"sunlit_area_m2 = .*at most {half_m2:.2f} m2"):
        build_config(data, "seed_store")


def test_bolts_and_wires_by_hand():
    # Four M4 steel bolts (12.57 mm2 each, 50 W/(m K)) and 5 mm2 of copper through 50 mm.
    found = envelope.metal_through_wall_w_per_k(4, 0.004, 50.0, 5e-6, 0.05)
    assert found == pytest.approx((4 * 50.0 * 12.566e-6 + 400.0 * 5e-6) / 0.05, rel=1e-4)
    nylon = envelope.metal_through_wall_w_per_k(4, 0.004, 0.25, 0.0, 0.05)
    assert nylon < 0.001


def test_the_thinnest_face_is_the_cold_one():
    """By hand, a 10 mm front in a 40 mm box: plane wall, films 8 and 8 W/(m2 K)."""
    thin = replace(BOX, front_m=0.010)
    fall = 1.0 / (1 / 8.0 + 0.010 / 0.036 + 1 / 8.0) / 8.0  # of the whole difference
    whole = envelope.series(8 * 0.600, sum(envelope.wall_parts_w_per_k(thin).values()),
                            8 * thin.outside_area_m2)  # fmt: skip
    mean_fall = whole / (8.0 * thin.outside_area_m2)
    assert envelope.coldest_face_factor(thin, 8.0, 8.0) == pytest.approx(fall / mean_fall, rel=1e-9)
    assert envelope.coldest_face_factor(thin, 8.0, 8.0) > 1.8
    assert 1.0 < envelope.coldest_face_factor(BOX, 8.0, 8.0) < 1.5
