"""Rooms too cold for the contents: what would keep them warmer, as a cabinet only cools.

With the module idle the contents follow the room, kelvin by kelvin, so that what they lack is
what the room lacks.  A heater's heat leaves through foam, seals and the idle module: watts are
kelvin lacking over the kelvin that a watt in the air gives.  More foam helps by what keeps a
little heat in, the inside fan and the loads.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from ctrl.aim import Aim
from ctrl.bottlenecks import edited
from ctrl.build import at_ambient, humidity_at, plant_of
from ctrl.capability import at_duty, fans_at
from ctrl.cases import CANNOT, COLDEST, IDLE_DUTY, Case, is_cold_room
from ctrl.config import Config
from plant.constants import ZERO_C_K
from plant.steady import operating_point

MORE_FOAM_MM = 20.0  # as in changes.toml
HEAT_STEP_W = 0.5
FREEZING_K = 1.0  # simulated days this far above the steady state: freezing holds them up


@dataclass(frozen=True)
class TooCold:
    """One room with what its contents lack, and what would give it.

    `contents_c` is what the simulated days leave (their coldest, or the mean in the usual room),
    `idle_c` what they come to in the end, by the steady state: colder where freezing holds them
    up meanwhile; `least_c` what is wanted [°C], `lacks_k` above the first, or the end [K].
    `room_c` is the room that would do, `heater_w` the heat inside that would, in the mean [W];
    `foam_gain_k` how much warmer `MORE_FOAM_MM` keep idle contents and `foam_heater_w` the heat
    then, None where no such foam fits.
    """

    case: str
    ambient_c: float
    contents_c: float
    idle_c: float
    least_c: float
    lacks_k: float
    room_c: float
    heater_w: float
    foam_gain_k: float | None
    foam_heater_w: float | None

    @property
    def words(self) -> str:
        """What would keep the contents warmer, in words."""
        frozen = self.contents_c - self.idle_c > FREEZING_K
        end = f" and {self.idle_c:.1f} °C once frozen through" if frozen else ""
        text = (
            f"{self.case} room, {self.ambient_c:g} °C: contents at {self.contents_c:.1f} °C with "
            f"the module idle{end}, {self.lacks_k:.1f} K below the {self.least_c:.1f} °C they "
            f"need. Enough would be a place at {self.room_c:.1f} °C, or about "
            f"{self.heater_w:.1f} W of heat inside"
        )
        if self.foam_gain_k is None or self.foam_heater_w is None:
            return text
        return text + (
            f"; {MORE_FOAM_MM:.0f} mm more foam keeps heat in: {self.foam_gain_k:.1f} K warmer by "
            f"itself, and {self.foam_heater_w:.1f} W would do"
        )


def _idle_c(config: Config, ambient_c: float) -> float:
    """Return the contents with the module off in a room [°C], by the steady state."""
    plant = at_ambient(plant_of(config), ambient_c, humidity_at(config, ambient_c))
    return at_duty(plant, 0.0, ambient_c + ZERO_C_K).contents_k - ZERO_C_K


def idle_w_per_k(config: Config, ambient_c: float) -> float:
    """Return the heat inside that warms idle contents by a kelvin [W/K].

    By steady states with the inside fan turning, whose heat stands for a heater's.
    """
    plant = at_ambient(plant_of(config), ambient_c, humidity_at(config, ambient_c))
    warmer = replace(plant.cold_sink, fan_w=plant.cold_sink.fan_w + HEAT_STEP_W)
    ambient_k, (hot_fan, _) = ambient_c + ZERO_C_K, fans_at(plant, 0.0)
    before, after = (
        operating_point(item, 0.0, ambient_k, hot_fan, 1.0).contents_k
        for item in (plant, replace(plant, cold_sink=warmer))
    )
    return HEAT_STEP_W / (after - before)


def too_cold_in(config: Config, case: str, ambient_c: float, contents_c: float, least_c: float
                ) -> TooCold:  # fmt: skip
    """Return what would keep contents at `least_c` that come to `contents_c` in a room [°C]."""
    idle_c = _idle_c(config, ambient_c)
    frozen = contents_c - idle_c > FREEZING_K
    lacks_k = least_c - (idle_c if frozen else contents_c)
    edit = {"key": "cabinet.foam_thickness_mm", "add": MORE_FOAM_MM}
    thicker = edited(config, [edit])
    gain_k = heater_w = None
    if thicker is not None:
        gain_k = _idle_c(thicker, ambient_c) - idle_c
        heater_w = idle_w_per_k(thicker, ambient_c) * max(lacks_k - gain_k, 0.0)
    return TooCold(case, ambient_c, contents_c, idle_c, least_c, lacks_k, ambient_c + lacks_k,
                   idle_w_per_k(config, ambient_c) * lacks_k, gain_k, heater_w)  # fmt: skip


def too_cold_rooms(config: Config, aim: Aim, cases: Sequence[Case]) -> tuple[TooCold, ...]:
    """Return the rooms that leave the contents too cold with the module idle."""
    found = []
    for case in cases:
        span, room_c = case.findings.contents_c, case.ambient_c
        idles = is_cold_room(config, case.findings) and case.findings.duty_mean < IDLE_DUTY
        broken = [x for x in case.limits if x.name == COLDEST and not x.kept]
        if case.name == "usual" and aim.is_too_cold:
            least_c = config.use.target_c - config.use.target_tolerance_k
            found.append(too_cold_in(config, case.name, room_c, span.mean, least_c))
        elif idles and broken:
            found.append(too_cold_in(config, case.name, room_c, span.min, broken[0].limit))
    return tuple(found)


def is_only_too_cold(rooms: Sequence[TooCold], cases: Sequence[Case]) -> bool:
    """Tell whether cold alone fails: what makes a cabinet colder would mend nothing then."""
    named = {room.case for room in rooms}
    return bool(named) and all(case.name in named for case in cases if case.verdict == CANNOT)
