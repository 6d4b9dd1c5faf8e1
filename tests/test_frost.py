"""Frost against published correlations, and the layer in the plant against a layer model."""

import math
from dataclasses import replace

import numpy as np
import psychrolib
import pytest

from ctrl import evidence_values
from plant import cabinet, frost, moist_air
from plant.constants import ZERO_C_K

# Frost surface C: density kg/m3.  Hayashi, Aoki, Adachi and Hori 1977, 650 exp(0.277 t),
# digits of the table.  Below about -11 C the plant clamps to 30 kg/m3.
HAYASHI_DENSITY = {
    -1.0: 493, -2.0: 374, -3.0: 283, -5.0: 163, -7.0: 93.5, -8.0: 70.9, -10.0: 40.7,
}  # fmt: skip
# Density kg/m3: conductivity W/(m K) by Sanders 1974 and by three other correlations
# (Yonko and Sepsy 1967, Lee et al. 1994, Ostin and Andersson 1991; second-hand coefficients).
SANDERS_CONDUCTIVITY = {50: 0.052, 100: 0.101, 150: 0.150, 200: 0.198, 300: 0.292, 400: 0.385}
OTHER_CONDUCTIVITIES = {
    150: (0.159, 0.183, 0.081), 200: (0.216, 0.201, 0.121),
    300: (0.348, 0.240, 0.218), 400: (0.503, 0.283, 0.335),
}  # fmt: skip
# Open share 1 - 2 d/s of a gap: laminar flow at fixed pressure, its cube, two digits (geometry).
GAP_FLOW = {0.05: 0.73, 0.10: 0.51, 0.15: 0.34, 0.20: 0.22}


@pytest.mark.parametrize(("t_c", "density"), HAYASHI_DENSITY.items())
def test_hayashi_density(t_c, density):
    rounding = 0.06 if density < 100 else 0.6
    assert frost.deposit_density(ZERO_C_K + t_c) == pytest.approx(density, abs=rounding)


def test_density_is_clamped_where_the_correlation_ends():
    assert frost.deposit_density(ZERO_C_K - 15.0) == 30.0  # the formula says 10.2
    assert frost.deposit_density(ZERO_C_K) == 600.0  # the formula says 650


@pytest.mark.parametrize(("density", "k"), SANDERS_CONDUCTIVITY.items())
def test_sanders_conductivity(density, k):
    assert frost.conductivity(density) == pytest.approx(k, abs=6e-4)


@pytest.mark.parametrize(("density", "others"), OTHER_CONDUCTIVITIES.items())
def test_conductivity_lies_among_other_correlations(density, others):
    # The stated uncertainty is a factor of two.
    for other in others:
        assert 0.5 < frost.conductivity(density) / other < 2.0


@pytest.mark.parametrize(("share", "flow"), GAP_FLOW.items())
def test_gap_narrows_and_flow_goes_with_its_cube(share, flow):
    open_share = frost.open_fraction(share * 0.004, 0.004)
    assert open_share == pytest.approx(1.0 - 2.0 * share, rel=1e-12)
    # Film goes with the root of the flow (laminar film), so its square is the flow.
    assert frost.blocked_film_factor(open_share) ** 2 == pytest.approx(flow, abs=0.006)


def test_melting_energy_is_the_latent_heat():
    # 333.5 kJ/kg = 93 Wh/kg; the melt flow's heat is 100 W/m2K times area times excess.
    rate = frost.melting_rate(ZERO_C_K + 3.0, 0.1, 0.05)
    assert rate * 333.5e3 == pytest.approx(100.0 * 0.1 * 3.0, rel=1e-12)
    assert frost.LATENT_FUSION / 3600.0 == pytest.approx(93.0, abs=0.5)


def test_nothing_melts_below_zero_nor_freezes_above():
    assert frost.melting_rate(ZERO_C_K - 1e-6, 0.1, 0.05) == 0.0
    assert frost.freezing_rate(ZERO_C_K + 1e-6, 0.1, 0.05) == 0.0
    assert frost.melting_rate(ZERO_C_K + 5.0, 0.1, 0.0) == 0.0
    assert frost.freezing_rate(ZERO_C_K - 5.0, 0.1, 0.0) == 0.0


def grown_layer(plant, slopes_of, air_c, rh, sink_c, film, hours):
    """Grow frost on 1 m2 with air and sink held; return (mass g/m2, thickness mm).

    Uses the plant's own right-hand side; the explicit 5 s step is the published model's.
    """
    # 1 m between fins: no blockage, as the layer model has none.
    bare = replace(
        plant,
        cold_sink=replace(
            plant.cold_sink, fan_w_per_k=film, fin_area_m2=1.0, fin_gap_m=1.0, fan_w=0.0
        ),
    )
    record = cabinet.to_record(bare)
    state = cabinet.uniform_state(bare, ZERO_C_K + air_c, 0.0)
    inputs = np.zeros(cabinet.INPUTS)
    inputs[[cabinet.AMBIENT, cabinet.COLD_FAN]] = ZERO_C_K + air_c, 1.0
    # The state points' humidity: RH over water above 0 C.
    ratio = moist_air.humidity_ratio(rh * moist_air.saturation_pressure(ZERO_C_K + air_c))
    cabinet.set_air(record, state, ZERO_C_K + air_c, ratio)
    slope = np.zeros(cabinet.STATES)
    for _ in range(int(hours * 720)):
        cabinet.set_cold_sink(record, state, ZERO_C_K + sink_c)
        cabinet.derivative(record, state, inputs, slope)
        state[cabinet.FROST] += 5.0 * slope[cabinet.FROST]
        state[cabinet.FROST_VOLUME] += 5.0 * slope[cabinet.FROST_VOLUME]
    return state[cabinet.FROST] * 1e3, state[cabinet.FROST_VOLUME] * 1e3


def layer_model(air_c, rh, sink_c, film, hours):
    """Return (mass g/m2, thickness mm) of the published lumped layer model.

    k (Tfs - Tw)/d = h (Ta - Tfs) + Ls m'', m'' = h/(cp Le^(2/3)) (Wa - Ws(Tfs)), Le 0.90;
    density Hayashi at the surface, never falling, 30..600; Sanders conductivity; start at
    0.02 mm; step 5 s; surface capped at 0 C.  Saturation as psychrolib has it.
    """
    psychrolib.SetUnitSystem(psychrolib.SI)
    ratio_air = psychrolib.GetHumRatioFromRelHum(air_c, rh, 101325.0)
    mass_film = film / (1006.0 * 0.90 ** (2.0 / 3.0))
    density, mass = 30.0, 30.0 * 2e-5

    def flux(surface_c):
        return mass_film * (ratio_air - psychrolib.GetSatHumRatio(surface_c, 101325.0))

    for _ in range(int(hours * 720)):
        thickness = mass / density
        conductance = 1.202e-3 * density**0.963 / thickness
        low, high = sink_c, min(air_c, 0.0)
        for _ in range(30):
            mid = 0.5 * (low + high)
            gain = film * (air_c - mid) + 2.836e6 * flux(mid)
            low, high = (mid, high) if gain > conductance * (mid - sink_c) else (low, mid)
        mass += 5.0 * flux(low)
        density = min(max(density, 650.0 * math.exp(0.277 * low)), 600.0)
    return mass * 1e3, mass / density * 1e3


# Ta C, RH, Tw C, h W/m2K; then at 1 h and 2 h: mass g/m2, thickness mm (the layer model's
# own published numbers, a model and no measurement).
LAYERS = [
    (5.0, 0.85, -8.0, 12.0, (113, 0.97), (219, 1.59)),
    (8.0, 0.75, -4.0, 20.0, (166, 0.62), (322, 1.07)),
]


@pytest.mark.parametrize("row", LAYERS, ids=["5C-85%-on-minus-8", "8C-75%-on-minus-4"])
class TestFrostLayer:
    def test_layer_model_reproduces_its_published_numbers(self, row):
        mass, thickness = layer_model(*row[:4], hours=1)
        # 0.5 % from the 0.6 g/m2 the layer starts with, the rest from the saturation formula.
        assert mass == pytest.approx(row[4][0], rel=0.015)
        assert thickness == pytest.approx(row[4][1], rel=0.02)

    @pytest.mark.parametrize("hours", [1, 2])
    def test_the_plant_lies_in_the_band(self, row, hours, example_plant, slopes_of, note):
        """The plant keeps each layer's density as laid down; the model densifies all of it."""
        mass, thickness = grown_layer(example_plant, slopes_of, *row[:4], hours)
        mass_ref, thickness_ref = row[3 + hours]
        note(f"mass {mass:.0f}/{mass_ref} g/m2, thickness {thickness:.2f}/{thickness_ref} mm")
        assert mass == pytest.approx(mass_ref, rel=0.05)
        # Density is known to +/-50 % at best, so thickness lies within a factor of two.
        assert 1 / 2.0 < thickness / thickness_ref < 2.0


# The surface's balance and the other correlations -------------------------------------------------


def surface_by_bisection(film, layer, air_k, ratio, sink_k):
    """Return the surface that balances film, vapour and layer, by bisection."""
    conductance = moist_air.mass_conductance(film)
    low, high = sink_k, air_k + 5.0
    for _ in range(80):
        mid = 0.5 * (low + high)
        latent = 2.501e6 + 3.335e5 * frost.ice_share(mid)
        gain = film * (air_k - mid)
        gain += latent * conductance * (ratio - moist_air.saturation_humidity_ratio(mid))
        low, high = (mid, high) if gain > layer * (mid - sink_k) else (low, mid)
    return 0.5 * (low + high)


@pytest.mark.parametrize("air_c", [2.0, 8.0, 16.0])
@pytest.mark.parametrize("sink_c", [-15.0, -8.0, -3.0])
@pytest.mark.parametrize("millimetre", [0.1, 0.5, 2.0])
def test_two_newton_steps_find_the_surface(air_c, sink_c, millimetre):
    film = 2.5  # W/K on 0.12 m2, as a clean sink with its fan
    layer = 0.1 * 0.12 / (millimetre * 1e-3)
    ratio = 0.8 * moist_air.saturation_humidity_ratio(ZERO_C_K + air_c)
    found = frost.surface_temperature(film, layer, ZERO_C_K + air_c, ratio, ZERO_C_K + sink_c, 1.0)
    exact = surface_by_bisection(film, layer, ZERO_C_K + air_c, ratio, ZERO_C_K + sink_c)
    # In the warm corner the surface reaches 0 °C, where water and not ice settles.
    assert found == pytest.approx(exact, abs=0.03 if exact < ZERO_C_K - 0.5 else 0.35)


def test_the_surface_has_no_jump_and_no_frost_is_the_metal():
    assert frost.surface_temperature(2.5, 1e9, 278.0, 0.004, 268.0, 1.0) == pytest.approx(268.0)
    sinks = np.linspace(ZERO_C_K - 3.0, ZERO_C_K + 3.0, 4001)
    surface = [frost.surface_temperature(2.5, 20.0, 278.15, 0.004, s, 0.5) for s in sinks]
    # 1.5 mK of metal never moves the surface by more than 2.5 mK, at 0 °C neither.
    assert np.max(np.abs(np.diff(surface))) < 2.5e-3


# Frost surface and metal C: kg/m3 by Hermes' form, digits of the table.
HERMES_ROWS = {(-2, -10): 225, (-5, -10): 101, (-5, -15): 138, (-8, -15): 62, (-3, -5): 127}
# Density: conductivity by three further correlations, digits of the table.
NAMED_CONDUCTIVITIES = {
    "yonko_sepsy": {50: 0.063, 150: 0.159, 400: 0.503},
    "lee": {50: 0.148, 150: 0.183, 400: 0.283},
    "ostin_andersson": {100: 0.046, 200: 0.121, 400: 0.335},
    "sanders": {50: 0.052, 200: 0.198, 400: 0.385},
}


@pytest.mark.parametrize(("where", "density"), HERMES_ROWS.items())
def test_hermes_density(where, density):
    surface_c, wall_c = where
    found = frost.fresh_density(frost.HERMES, ZERO_C_K + surface_c, ZERO_C_K + wall_c)
    assert found == pytest.approx(density, abs=0.6)


@pytest.mark.parametrize("name", NAMED_CONDUCTIVITIES)
def test_named_conductivities(name):
    for density, expected in NAMED_CONDUCTIVITIES[name].items():
        found = frost.layer_conductivity(frost.CONDUCTIVITIES[name], float(density))
        assert found == pytest.approx(expected, abs=6e-4)


def test_hosoda_uzuhashi_by_hand():
    # 340 x 10^-0.445 + 85 x 1 m/s = 122.0 + 85 kg/m3
    found = frost.fresh_density(frost.HOSODA_UZUHASHI, ZERO_C_K - 5.0, ZERO_C_K - 10.0)
    assert found == pytest.approx(207.0, abs=0.6)


def test_density_correlations_spread_by_about_two():
    """The stated spread: a factor of two about the middle one, within the fitted ranges."""
    found = [
        frost.fresh_density(kind, ZERO_C_K - 5.0, ZERO_C_K - 10.0)
        for kind in frost.DENSITIES.values()
    ]
    assert 1.5 < max(found) / min(found) < 2.5


@pytest.mark.parametrize("factor", [0.5, 1.5])
def test_the_density_factor_scales_what_settles(factor, example_plant, slopes_of):
    state = cabinet.uniform_state(example_plant, ZERO_C_K + 6.0, 0.005)
    cabinet.set_cold_sink(cabinet.to_record(example_plant), state, ZERO_C_K - 8.0)
    inputs = np.zeros(cabinet.INPUTS)
    inputs[[cabinet.AMBIENT, cabinet.COLD_FAN]] = ZERO_C_K + 25.0, 1.0
    changed = replace(
        example_plant, cold_sink=replace(example_plant.cold_sink, frost_density_factor=factor)
    )
    plain = slopes_of(example_plant, state, inputs)
    scaled = slopes_of(changed, state, inputs)
    ratio = scaled[cabinet.FROST_VOLUME] / plain[cabinet.FROST_VOLUME]
    assert ratio == pytest.approx(1.0 / factor, rel=1e-9)
    assert scaled[cabinet.FROST] == plain[cabinet.FROST]


@pytest.mark.parametrize("film", [15.0, 25.0])
@pytest.mark.parametrize(
    ("air_c", "rh_pct", "plate_c"),
    [(12.0, 80.0, -15.0), (12.0, 60.0, -15.0), (8.0, 70.0, -10.0), (16.0, 70.0, -10.0),
     (16.0, 80.0, -20.0), (12.0, 70.0, -20.0)],
)  # fmt: skip
def test_layer_lies_in_the_bands_of_the_experiments(film, air_c, rh_pct, plate_c, note):
    """Plates of -10 to -20 C in air of 60 to 80 %, 2 h: 1 to 5 mm and 82 to 318 kg/m3.

    Bands of several published experiments (abstracts, second-hand); the film of their air,
    0.5 to 2.5 m/s, is assumed.
    """
    kg, m3, _ = evidence_values._layer(
        air_c=air_c, rh_pct=rh_pct, sink_c=plate_c, film=film, hours=2.0
    )
    note(f"{air_c} C {rh_pct} %, plate {plate_c} C, film {film}: {1e3 * m3:.2f} mm, {kg / m3:.0f}")
    assert 1e-3 < m3 < 5e-3
    assert 82.0 < kg / m3 < 318.0
