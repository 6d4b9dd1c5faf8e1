"""Change one term of the whole right-hand side at a time and see which checks still hold.

Run by `test_whole_cabinet` in a process of its own with COLDLOOP_PLAIN=1.  The source of
`cabinet.derivative` is edited and compiled anew; every published check that goes through it is
worked out.  Writes {mutation: [checks not kept]} as JSON into the file named as its argument.
"""

import inspect
import json
import sys
from pathlib import Path

from ctrl import evidence, evidence_cabinet
from plant import cabinet

# what -> (text of the right-hand side, the same wrong by a fifth)
MUTATIONS = {
    "nothing": ("hot_fan, cold_fan = ", "hot_fan, cold_fan = "),
    "foam": ("foam = foam_conductance(plant, state)",
             "foam = 1.2 * foam_conductance(plant, state)"),
    "inside film": ("inner_film = wall_film(", "inner_film = 1.2 * wall_film("),
    "outside film": (
        "from_outer = box.outside_film_w_per_k * quarter",
        "from_outer = 1.2 * box.outside_film_w_per_k * quarter",
    ),
    "through the wall": ("2.0 * foam * (wall_outer_k - wall_k)",
                         "2.4 * foam * (wall_outer_k - wall_k)"),
    "seal and metal": ("direct_w = box", "direct_w = 1.2 * box"),
    "air leakage": ("box.leak_per_s, box.volume_m3", "1.2 * box.leak_per_s, box.volume_m3"),
    "leak's vapour": ("exchange_vapour = exchange *", "exchange_vapour = 1.2 * exchange *"),
    "leak's heat": ("exchange_w = exchange *", "exchange_w = 1.2 * exchange *"),
    "door": ("inputs[DOOR] * flow", "1.2 * inputs[DOOR] * flow"),
    "wall vapour share": ("0.5 * inner_film)", "0.6 * inner_film)"),
    "vapour to the sink": ("mass_conductance(film)", "mass_conductance(1.2 * film)"),
    "cold sink film": ("film, frost_layer = cold_sink_film(plant, state, cold_fan)",
                       "film, frost_layer = cold_sink_film(plant, state, 1.2 * cold_fan)"),
    "cold joint": ("mod.cold_contact_w_per_k *", "1.2 * mod.cold_contact_w_per_k *"),
    "hot joint": ("mod.hot_contact_w_per_k *", "1.2 * mod.hot_contact_w_per_k *"),
    "hot sink": ("rejected_w = hot_film", "rejected_w = 1.2 * hot_film"),
    "contents film": ("air_to_contents_w = contents_film",
                      "air_to_contents_w = 1.2 * contents_film"),
    "load": ("load_w = inputs[LOAD_RATE]", "load_w = 1.2 * inputs[LOAD_RATE]"),
    "fan's heat": ("fan_heat_w = cold_fan", "fan_heat_w = 1.2 * cold_fan"),
    "hot fan's power": ("hot_fan * plant.hot_sink.fan_w", "1.2 * hot_fan * plant.hot_sink.fan_w"),
    "module a": ("mod, plant.drive", "scaled(mod, 'seebeck_v_per_k'), plant.drive"),
    "module R": ("mod, plant.drive", "scaled(mod, 'resistance_ohm'), plant.drive"),
    "module K": ("mod, plant.drive", "scaled(mod, 'conductance_w_per_k'), plant.drive"),
    "module's power": ("cooling_w + module_w -", "cooling_w + 1.2 * module_w -"),
    "plug": ("terminal_w + fans_w", "1.2 * terminal_w + fans_w"),
}  # fmt: skip


def scaled(record, name):
    """Return a copy of a part's record with one of its values a fifth larger."""
    other = record.copy()
    other[name] = 1.2 * record[name]
    return other


def checks():
    through = {*evidence_cabinet.VALUES, "air_change_j", "air_change_g"}
    return [check for check in evidence.published() if check.value in through]


def mutated(old, new):
    """Return the checks that are not kept with `old` replaced in the right-hand side."""
    true = cabinet.derivative
    source = inspect.getsource(true)
    assert source.count(old) == 1, f"{old!r} stands {source.count(old)} times in derivative"
    namespace = vars(cabinet) | {"scaled": scaled}
    exec(compile(source.replace(old, new), "derivative", "exec"), namespace)
    cabinet.derivative = namespace["derivative"]
    try:
        return [check.quantity for check in checks() if not evidence.row_of(check).kept]
    finally:
        cabinet.derivative = true


if __name__ == "__main__":
    found = {name: mutated(*texts) for name, texts in MUTATIONS.items()}
    Path(sys.argv[1]).write_text(json.dumps(found), encoding="utf-8")
