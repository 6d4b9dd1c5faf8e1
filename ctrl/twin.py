"""The parts of a cabinet that a log can tell: what each does to a plant.

A calibrated config carries them in its table [twin]: how many times the value that the rest
of the file leads to, or by how much a reading is off, each with its standard error.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from math import exp

from plant import sensors
from plant.cabinet import Plant


@dataclass(frozen=True)
class TwinPart:
    """One thing that a log may tell.

    `is_factor` parts are worked with as the natural logarithm of a factor, the others in K.
    `change` makes a plant anew whose value is so many times, or so far off, the former's.
    """

    name: str
    words: str
    part: str
    is_factor: bool
    change: Callable[[Plant, float], Plant]

    @property
    def key(self) -> str:
        """Key in the table [twin]."""
        return f"{self.name}_times" if self.is_factor else f"{self.name}_k"

    def stated(self, inner: float) -> float:
        """Return the value as the file states it, from the one that is worked with."""
        return exp(inner) if self.is_factor else inner


def _sink(name: str, driven: bool) -> Callable[[Plant, float], Plant]:
    def change(plant: Plant, times: float) -> Plant:
        sink = getattr(plant, name)
        films = {"no_fan_w_per_k": sink.no_fan_w_per_k / times}
        if driven:
            films["fan_w_per_k"] = sink.fan_w_per_k / times
        return replace(plant, **{name: replace(sink, **films)})

    return change


def _scaled(part: str, *names: str, inverse: bool = False) -> Callable[[Plant, float], Plant]:
    def change(plant: Plant, times: float) -> Plant:
        old = getattr(plant, part)
        factor = 1.0 / times if inverse else times
        new = {name: getattr(old, name) * factor for name in names}
        return replace(plant, **{part: replace(old, **new)})

    return change


def _sensor(name: str, place: int | None, field: str) -> Callable[[Plant, float], Plant]:
    """Return the change of a sensor's lag or offset; none where it is not fitted, or elsewhere."""

    def change(plant: Plant, value: float) -> Plant:
        sensor: sensors.Sensor = getattr(plant, name)
        if sensor.fitted == 0 or (place is not None and sensor.place != place):
            return plant
        new = sensor.lag_s * value if field == "lag_s" else sensor.offset_k + value
        fields: dict[str, float] = {field: new}
        return replace(plant, **{name: replace(sensor, **fields)})  # type: ignore[arg-type]

    return change


# fmt: off
PARTS: tuple[TwinPart, ...] = (
    TwinPart("hot_sink", "hot sink's K/W", "hot sink", True, _sink("hot_sink", True)),
    TwinPart("hot_still", "hot sink's K/W without fan, besides", "hot sink", True,
             _sink("hot_sink", False)),
    TwinPart("hot_joint", "hot joint's K/W", "contacts", True,
             _scaled("module", "hot_contact_w_per_k", inverse=True)),
    TwinPart("cold_sink", "cold sink's K/W", "cold sink", True, _sink("cold_sink", True)),
    TwinPart("cold_still", "cold sink's K/W without fan, besides", "cold sink", True,
             _sink("cold_sink", False)),
    TwinPart("cold_joint", "cold joint's K/W", "contacts", True,
             _scaled("module", "cold_contact_w_per_k", inverse=True)),
    TwinPart("foam", "foam's W/K", "foam", True, _scaled("envelope", "foam_w_per_k")),
    TwinPart("leaks", "seal, metal, leaks", "leaks", True,
             _scaled("envelope", "direct_w_per_k", "leak_per_s")),
    TwinPart("seebeck", "module's Seebeck coefficient", "module", True,
             _scaled("module", "seebeck_v_per_k")),
    TwinPart("resistance", "module's resistance", "module", True,
             _scaled("module", "resistance_ohm")),
    TwinPart("conductance", "module's conductance", "module", True,
             _scaled("module", "conductance_w_per_k")),
    TwinPart("contents_film", "film of the contents", "contents", True,
             _scaled("contents", "film_w_per_k", "film_still_w_per_k")),
    TwinPart("contents_capacity", "heat capacity of the contents", "contents", True,
             _scaled("contents", "heat_capacity_j_per_k", "frozen_heat_capacity_j_per_k",
                     "latent_j")),
    TwinPart("hot_capacity", "heat capacity of the hot sink", "hot sink", True,
             _scaled("hot_sink", "heat_capacity_j_per_k")),
    TwinPart("cold_capacity", "heat capacity of the cold sink", "cold sink", True,
             _scaled("cold_sink", "heat_capacity_j_per_k")),
    TwinPart("wall_capacity", "heat capacity of the walls", "foam", True,
             _scaled("envelope", "inner_heat_capacity_j_per_k", "outer_heat_capacity_j_per_k")),
    TwinPart("air_lag", "lag of the air's sensor", "control sensor", True,
             _sensor("control_sensor", sensors.AIR, "lag_s")),
    TwinPart("cold_lag", "lag of the cold sink's sensor", "cold-sink sensor", True,
             _sensor("cold_sensor", None, "lag_s")),
    TwinPart("hot_lag", "lag of the hot sink's sensor", "hot-sink sensor", True,
             _sensor("hot_sensor", None, "lag_s")),
    TwinPart("air_offset", "offset of the air's reading", "control sensor", False,
             _sensor("control_sensor", sensors.AIR, "offset_k")),
    TwinPart("cold_offset", "offset of the cold sink's reading", "cold-sink sensor", False,
             _sensor("cold_sensor", None, "offset_k")),
    TwinPart("hot_offset", "offset of the hot sink's reading", "hot-sink sensor", False,
             _sensor("hot_sensor", None, "offset_k")),
    TwinPart("contents_offset", "offset of the contents' reading", "control sensor", False,
             _sensor("control_sensor", sensors.CONTENTS, "offset_k")),
    TwinPart("ambient_offset", "offset of the room's reading", "room's sensor", False,
             _sensor("ambient_sensor", None, "offset_k")),
)
# fmt: on
BY_NAME = {part.name: part for part in PARTS}
# Lumps of the model: fitted as it needs them, which is not what the part by itself would show.
LUMPED = ("contents_film", "contents_capacity", "hot_capacity", "cold_capacity", "wall_capacity",
          "air_lag", "cold_lag", "hot_lag")  # fmt: skip


def applied(plant: Plant, values: Mapping[str, float]) -> Plant:
    """Return the plant with each named part at its value (a factor, or K)."""
    for name, value in values.items():
        part = BY_NAME[name]
        if value != (1.0 if part.is_factor else 0.0):
            plant = part.change(plant, value)
    return plant
