"""Walls of layers, each face its own, against sums by hand.

A face by ISO 6946 is one over Rsi + the sum of d/lambda + Rse; edges and corners by the
textbook's shape factors.
"""

import numpy as np
import pytest

from ctrl.build import box_of, heat_leak_parts_w_per_k, plant_of
from ctrl.config import ConfigError, build_config, config_fields, load_config, plain_data
from ctrl.config_layers import face_layers
from plant import envelope, presets

FACES = ("front", "back", "left", "right", "top", "bottom")


def config_with(**cabinet):
    data = plain_data(load_config("galley_larder"))
    data["cabinet"] |= cabinet
    return build_config(data, "larder.toml")


# Door of plywood, foam and a glued panel; a vacuum panel on the top; a thicker floor of two foams.
MIXED = {
    "layers_front": "3 mm at 0.15, foam, 20 mm XPS, 9 mm at 0.13 storing 8000",
    "layers_top": "2 mm at 0.2 storing 3000, foam, 20 mm at 0.005, 6 mm at 0.13",
    "foam_bottom_mm": 80.0,
    "layers_bottom": "foam",
    "inner_layer_mm": 3.0,
    "inner_layer_w_per_m_k": 0.15,
    "outer_layer_mm": 6.0,
    "outer_layer_w_per_m_k": 0.13,
}


@pytest.fixture(scope="module")
def config():
    return config_with(**MIXED)


@pytest.fixture(scope="module")
def by_hand(config):
    eps = config.cabinet.foam_data()
    board = presets.foam("XPS")
    foam = eps.conductivity_w_per_m_k + 5.0 * eps.slope_w_per_m_k_per_k
    xps = board.conductivity_w_per_m_k + 5.0 * board.slope_w_per_m_k_per_k
    usual = 0.003 / 0.15 + 0.05 / foam + 0.006 / 0.13
    resistance = {
        "front": 0.003 / 0.15 + 0.05 / foam + 0.02 / xps + 0.009 / 0.13,
        "back": usual, "left": usual, "right": usual,
        "top": 0.002 / 0.2 + 0.05 / foam + 0.02 / 0.005 + 0.006 / 0.13,
        "bottom": 0.08 / foam,
    }  # fmt: skip
    thickness = {
        "front": 0.082, "back": 0.059, "left": 0.059, "right": 0.059, "top": 0.078,
        "bottom": 0.080,
    }  # fmt: skip
    return resistance, thickness


class TestByHand:
    """A box of 300 x 300 x 350 mm in 50 mm of EPS, wall's mean 15 °C (22 and 8 °C)."""

    def test_faces_edges_and_corners(self, config, by_hand):
        resistance, thickness = by_hand
        area = {f: 0.09 if f in ("top", "bottom") else 0.105 for f in FACES}
        parts = envelope.wall_parts_w_per_k(box_of(config))
        faces = sum(area[f] / resistance[f] for f in FACES)
        assert parts["faces"] == pytest.approx(faces, rel=1e-9)
        alike = sum(thickness[f] / resistance[f] for f in FACES) / 6.0
        assert parts["edges"] == pytest.approx(0.54 * 4.0 * 0.95 * alike, rel=1e-9)
        mean_m = sum(thickness.values()) / 6.0
        assert parts["corners"] == pytest.approx(8.0 * 0.15 * mean_m * alike, rel=1e-9)

    def test_measures(self, config):
        box = box_of(config)
        assert box.outside_m == pytest.approx((0.418, 0.441, 0.508))
        assert config.cabinet.outside_area_m2 == pytest.approx(box.outside_area_m2, rel=1e-12)
        # The foam named for the box, between its layers: linings of 3, 3, 3, 3, 2 and 0 mm.
        within = np.prod((0.306, 0.306, 0.352))
        around = np.prod((0.406, 0.406, 0.482))
        assert box.foam_volume_m3 == pytest.approx(around - within, rel=1e-12)

    def test_each_face_by_its_own_films_too(self, config, by_hand, note):
        """ISO 6946 face by face; the plant has one film for all inside, one for all outside."""
        resistance, _ = by_hand
        area = {f: 0.09 if f in ("top", "bottom") else 0.105 for f in FACES}
        each = sum(area[f] / (1.0 / 8.0 + resistance[f] + 1.0 / 8.0) for f in FACES)
        foam = sum(area[f] / resistance[f] for f in FACES)
        together = envelope.series(8.0 * 0.6, foam, 8.0 * 0.6)
        note(f"face by face {each:.4f}, films taken together {together:.4f} W/K")
        assert together == pytest.approx(each, rel=0.02)

    def test_heat_stored_where_it_lies(self, config):
        bare, own = plant_of(config_with(
            **{k: v for k, v in MIXED.items() if not k.startswith("layers_")}
        )).envelope, plant_of(config).envelope  # fmt: skip
        foam = load_config("galley_larder").cabinet.foam_data()
        board = presets.foam("XPS")
        stores = foam.density_kg_per_m3 * foam.specific_heat_j_per_kg_k
        foam_j = 0.5 * stores * (
            box_of(config).foam_volume_m3
            - np.prod((0.406, 0.406, 0.486)) + np.prod((0.306, 0.306, 0.356))
        )  # fmt: skip
        inner = own.inner_heat_capacity_j_per_k - bare.inner_heat_capacity_j_per_k
        outer = own.outer_heat_capacity_j_per_k - bare.outer_heat_capacity_j_per_k
        xps_j = 0.02 * board.density_kg_per_m3 * board.specific_heat_j_per_kg_k
        assert inner == pytest.approx(foam_j + 0.09 * 3000.0, rel=1e-6)
        assert outer == pytest.approx(foam_j + 0.105 * (8000.0 + xps_j), rel=1e-6)

    def test_temperature_dependence_is_every_foams(self, config, by_hand):
        resistance, _ = by_hand
        foam, board = config.cabinet.foam_data(), presets.foam("XPS")
        eps = foam.conductivity_w_per_m_k + 5.0 * foam.slope_w_per_m_k_per_k
        xps = board.conductivity_w_per_m_k + 5.0 * board.slope_w_per_m_k_per_k
        whole = sum(resistance.values())
        expected = foam.slope_w_per_m_k_per_k / eps * (0.33 / eps) / whole
        expected += board.slope_w_per_m_k_per_k / xps * (0.02 / xps) / whole
        assert plant_of(config).envelope.foam_slope_per_k == pytest.approx(expected, rel=1e-9)


def test_the_same_wall_in_words_is_the_same_plant():
    """Every face by its own key, as the keys of all faces state it."""
    common = config_with(
        inner_layer_mm=3.0, inner_layer_w_per_m_k=0.15, outer_layer_mm=6.0,
        outer_layer_w_per_m_k=0.13,
    )  # fmt: skip
    words = {f"layers_{face}": "3 mm at 0.15, foam, 6 mm at 0.13" for face in FACES}
    named = heat_leak_parts_w_per_k(config_with(**words))
    assert named == pytest.approx(heat_leak_parts_w_per_k(common), rel=1e-12)
    assert plant_of(config_with(**words)).envelope == plant_of(common).envelope


def test_bolts_pass_the_whole_back():
    """Four M4 of steel through 2 + 50 + 12 mm: k A/L by hand."""
    part = {"bolts": 4, "layers_back": "2 mm at 0.2, foam, 12 mm at 0.13"}
    data = plain_data(load_config("galley_larder"))
    del data["cabinet"]["metal_through_wall_w_per_k"]
    data["cabinet"] |= part
    found = build_config(data, "larder.toml").cabinet.metal_w_per_k
    assert found == pytest.approx(4 * 50.0 * np.pi / 4.0 * 0.004**2 / 0.064, rel=1e-9)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("3 mm at 0.15", '"foam" among them'),
        ("foam, foam", '"foam" once'),
        ("foam, 6 mm 0.13", '"at" and W/(m K), or one of '),
        ("foam, plywood", 'in place of "plywood"'),
        ("foam, 300 mm at 0.1", '0.1 to 200 mm in "300 mm at 0.1"'),
        ("foam, 3 mm at 0.001", "0.003 to 250 W/(m K)"),
        ("foam, 3 mm at 0.1 storing 1000000", "0 to 100000 J/(m2 K)"),
        ("foam,", 'in place of ""'),
    ],
)
def test_one_line_names_what_is_wrong(text, expected):
    with pytest.raises(ConfigError) as raised:
        config_with(layers_top=text)
    assert len(raised.value.problems) == 1
    line = str(raised.value)
    assert line.startswith(f"larder.toml: cabinet.layers_top = {text!r}: ") and expected in line


def test_not_both_ways_for_one_face():
    with pytest.raises(ConfigError, match="outer_layer_top_mm = 5.0: .*beside layers_top"):
        config_with(layers_top="foam", outer_layer_top_mm=5.0)


def test_every_face_has_its_key_with_the_form_shown():
    keys = {row.key: row for row in config_fields()}
    assert all(f"cabinet.layers_{face}" in keys for face in FACES)
    shown = keys["cabinet.layers_front"].doc.partition(": ")[2].replace(" W/(m K)", "")
    read = face_layers(shown)
    assert [one.thickness_m for one in read.inner + read.outer] == pytest.approx([0.003, 0.006])
