"""Truths drawn within a config's tolerances, and the logs that the other plant makes of them."""

import numpy as np

from ctrl.build import plant_of
from ctrl.calibrate_model import prior_spreads
from ctrl.tolerance_draws import sheet_slopes
from tests import other_plant

SHEET = ("imax_a", "vmax_v", "dtmax_k", "qmax_w")


def drawn_truth(config, stream):
    """Return a cabinet with every part drawn evenly within its tolerance."""
    plant, spreads = plant_of(config), prior_spreads(config)

    def off(name):
        half = np.sqrt(3.0) * spreads[name]
        return stream.uniform(-half, half)

    module = np.zeros(3)
    for name in SHEET:
        pct = getattr(config.module, name.rpartition("_")[0] + "_tolerance_pct")
        module += sheet_slopes(config, name) * 0.01 * pct * stream.uniform(-1.0, 1.0)
    a, r, k = np.exp(module)
    part, box, drive = plant.module, plant.envelope, plant.drive
    smoothed = config.drive.kind == "smoothed"
    leaks = np.exp(off("leaks"))
    air = 1.2 * 1006.0 * box.volume_m3
    stored = box.inner_heat_capacity_j_per_k + box.outer_heat_capacity_j_per_k
    lining = config.cabinet.lining_heat_capacity_j_per_k
    hot, cold = np.exp(off("hot_sink")), np.exp(off("cold_sink"))
    readings = {"air_c": "air_offset", "cold_sink_c": "cold_offset", "hot_sink_c": "hot_offset",
                "contents_c": "contents_offset", "ambient_c": "ambient_offset"}  # fmt: skip
    return other_plant.Truth(
        seebeck=part.seebeck_v_per_k * a, resistance=part.resistance_ohm * r,
        conductance=part.conductance_w_per_k * k,
        hot_joint=np.exp(off("hot_joint")) / part.hot_contact_w_per_k,
        cold_joint=np.exp(off("cold_joint")) / part.cold_contact_w_per_k,
        hot_sink=hot / plant.hot_sink.fan_w_per_k, hot_still=hot / plant.hot_sink.no_fan_w_per_k,
        cold_sink=cold / plant.cold_sink.fan_w_per_k,
        cold_still=cold / plant.cold_sink.no_fan_w_per_k,
        foam=box.foam_w_per_k * np.exp(off("foam")),
        direct=leaks * (box.direct_w_per_k + box.leak_per_s * air),
        inside_film=box.inside_film_w_per_k, outside_film=box.outside_film_w_per_k,
        wall_capacity=(stored - lining) * np.exp(off("wall_capacity")), lining_capacity=lining,
        hot_capacity=plant.hot_sink.heat_capacity_j_per_k * np.exp(off("hot_capacity")),
        cold_capacity=plant.cold_sink.heat_capacity_j_per_k * np.exp(off("cold_capacity")),
        contents_capacity=plant.contents.heat_capacity_j_per_k * np.exp(off("contents_capacity")),
        contents_film=plant.contents.film_w_per_k * np.exp(off("contents_film")),
        air_capacity=air, face_capacity=part.face_heat_capacity_j_per_k,
        fan_w=plant.cold_sink.fan_w,
        loop_ohm=drive.wire_ohm + drive.switch_ohm, smoothed=smoothed, ripple=drive.ripple,
        offsets={name: off(part_name) for name, part_name in readings.items()},
    )  # fmt: skip


def true_parts(config, truth):
    """Return {part: its true value as a twin states it}, of the parts that both cabinets have."""
    plant = plant_of(config)
    box, module, goods = plant.envelope, plant.module, plant.contents
    hot, cold = plant.hot_sink, plant.cold_sink
    leaks = box.direct_w_per_k + box.leak_per_s * truth.air_capacity
    return {
        "hot_sink": truth.hot_sink * hot.fan_w_per_k,
        "cold_sink": truth.cold_sink * cold.fan_w_per_k,
        "hot_joint": truth.hot_joint * module.hot_contact_w_per_k,
        "cold_joint": truth.cold_joint * module.cold_contact_w_per_k,
        "foam": truth.foam / box.foam_w_per_k,
        "leaks": truth.direct / leaks,
        "seebeck": truth.seebeck / module.seebeck_v_per_k,
        "resistance": truth.resistance / module.resistance_ohm,
        "conductance": truth.conductance / module.conductance_w_per_k,
        "contents_film": truth.contents_film / goods.film_w_per_k,
        "contents_capacity": truth.contents_capacity / goods.heat_capacity_j_per_k,
        "hot_capacity": truth.hot_capacity / hot.heat_capacity_j_per_k,
        "cold_capacity": truth.cold_capacity / cold.heat_capacity_j_per_k,
        "air_lag": other_plant.SENSOR_LAG[0] / plant.control_sensor.lag_s,
        "cold_lag": other_plant.SENSOR_LAG[1] / plant.cold_sensor.lag_s,
        "hot_lag": other_plant.SENSOR_LAG[2] / plant.hot_sensor.lag_s,
        "air_offset": truth.offsets["air_c"],
        "cold_offset": truth.offsets["cold_sink_c"],
        "hot_offset": truth.offsets["hot_sink_c"],
        "ambient_offset": truth.offsets["ambient_c"],
    }


def make_log(config, kind, seed):
    """Return (truth, columns) of one synthetic log, `kind` larder or box."""
    stream = np.random.default_rng(np.random.SeedSequence([seed, len(kind)]))
    truth = drawn_truth(config, stream)
    profile, step_s = (
        (other_plant.LARDER_PROFILE, 10.0) if kind == "larder" else (other_plant.BOX_PROFILE, 20.0)
    )
    room_c = 22.0 if kind == "larder" else 21.0
    return truth, other_plant.run(truth, profile, step_s, stream, room_c)
