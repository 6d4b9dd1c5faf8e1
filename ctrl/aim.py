"""What to aim for: one rule for every verb, also where the target cannot be had.

In the usual room the target is in reach, or out of it, or the room is colder and there is
nothing to cool.  Out of reach, a setpoint below what can be had costs nothing while full drive
decides: the module runs on, and a cooler room comes nearer the target.  Where more drive warms
or is cut back by a hot side, the setpoint stays where the controller still controls.  Ice is
not judged here but on the simulated days (`ctrl.tuned`).
"""

from dataclasses import dataclass, replace

from ctrl.build import at_ambient, humidity_at
from ctrl.candidates import HELD_K, setpoint_for
from ctrl.capability import Coldest, at_duty, duty_for, flashed_coldest, sensed_k
from ctrl.config import Config
from plant.cabinet import Plant
from plant.constants import ZERO_C_K
from plant.steady import Operating

IN_REACH, OUT_OF_REACH, ROOM_COLDER = "in_reach", "out_of_reach", "room_is_colder"
# What decides the coldest where running on at the flashed limit of the drive does no harm.
HARMLESS = frozenset({"full drive", "the duty limit", "supply voltage"})


@dataclass(frozen=True)
class Room:
    """One named room: what can be held there at the coldest [°C], and how far above the target.

    `remaining_k` is 0 where the target is in reach [K].
    """

    name: str
    ambient_c: float
    coldest_c: float
    decided_by: str
    remaining_k: float


@dataclass(frozen=True)
class Aim:
    """What is aimed for on one drive, from steady states in the usual room.

    `contents_c` is aimed at, with the sensor `offset_k` above it; `control_c` is the reading at
    which a controller can be tuned, since it still controls there; `idle_c` and `idle_w` are
    the contents and the power with the module off.  `why` says in words what moved the setpoint
    off the target, empty where nothing did.
    """

    state: str
    target_c: float
    tolerance_k: float
    contents_c: float
    offset_k: float
    control_c: float
    idle_c: float
    idle_w: float
    rooms: tuple[Room, ...]
    why: str = ""

    @property
    def setpoint_c(self) -> float:
        """The reading to flash [°C], to the 0.1 K of the settings."""
        return round(self.contents_c + self.offset_k, 1) + 0.0  # no "-0.0"

    @property
    def usual(self) -> Room:
        """The usual room."""
        return self.rooms[0]

    @property
    def is_out_of_reach(self) -> bool:
        """Whether the usual room itself is too hot for the target."""
        return self.state == OUT_OF_REACH

    @property
    def is_too_cold(self) -> bool:
        """Whether the usual room leaves the contents colder than the tolerance, module off."""
        return self.state == ROOM_COLDER and self.idle_c < self.target_c - self.tolerance_k

    @property
    def words(self) -> str:
        """What cannot be had and what is aimed for instead, in words; empty where all is had."""
        if self.state == ROOM_COLDER:
            return self._cold_words
        left = [room for room in self.rooms if room.remaining_k > 0.0]
        if not left:
            return ""
        remain = " and ".join(
            f"{room.remaining_k:.1f} K in the {room.name} room, {room.ambient_c:g} °C "
            f"({room.coldest_c:.1f} °C at the coldest, {room.decided_by} decides)"
            for room in left
        )
        if not self.is_out_of_reach:
            return (
                f"{self.target_c:g} °C is not held in every room: above it remain {remain}; the "
                "setpoint stays the target's, which the usual room holds"
            )
        return (
            f"{self.target_c:g} °C is out of reach; above it remain {remain}; setpoint: a reading "
            f"of {self.setpoint_c:.1f} °C, {self.why or self._kept}"
        )

    @property
    def _kept(self) -> str:
        return (
            f"the target's: running on at {self.usual.decided_by} neither reverses nor ices, so no "
            "warmer setpoint brings the contents nearer"
        )

    @property
    def _cold_words(self) -> str:
        room, idle = self.usual, f"with the module off the contents come to {self.idle_c:.1f} °C"
        if not self.is_too_cold:
            return (
                f"the usual room, {room.ambient_c:g} °C, keeps the contents cool enough by "
                f"itself: {idle}, {self.target_c:g} °C wanted"
            )
        return (
            f"there is nothing to cool: in the usual room, {room.ambient_c:g} °C, {idle}, "
            f"{self.target_c - self.idle_c:.1f} K below the {self.target_c:g} °C wanted, and a "
            "cabinet that only cools cannot warm them; heating, or a warmer place, would"
        )


def with_kind(config: Config, kind: str) -> Config:
    """Return the config as if it had another drive: the firmware asks what it switches."""
    if kind == config.drive.kind:
        return config
    return config.model_copy(update={"drive": config.drive.model_copy(update={"kind": kind})})


def _offset_k(plant: Plant, point: Operating) -> float:
    return sensed_k(plant, point) - point.contents_k


def rooms_within(config: Config, plant: Plant, usual: Coldest) -> tuple[Room, ...]:
    """Return the usual, the worst and the coldest room; that of the usual is known."""
    climate, target_c = config.climate, config.use.target_c
    found = [("usual", climate.usual_c, usual)]
    for name, ambient_c in (("worst", climate.worst_c), ("coldest", climate.coldest_c)):
        moved = at_ambient(plant, ambient_c, humidity_at(config, ambient_c))
        found.append((name, ambient_c, flashed_coldest(config, moved, ambient_c + ZERO_C_K)))
    return tuple(
        Room(name, ambient_c, coldest.contents_c, coldest.decided_by,
             max(coldest.contents_c - target_c, 0.0))
        for name, ambient_c, coldest in found
    )  # fmt: skip


def aim_of(config: Config, plant: Plant, kind: str) -> Aim:
    """Return what to aim for with a drive, by steady states.

    Parameters
    ----------
    config : Config
    plant : Plant
        With that drive, in the usual room.
    kind : str
        The drive's name.
    """
    told = with_kind(config, kind)
    ambient_k, target_c = config.climate.usual_c + ZERO_C_K, config.use.target_c
    coldest = flashed_coldest(told, plant, ambient_k)
    idle = at_duty(plant, 0.0, ambient_k)
    held = duty_for(plant, ambient_k, target_c + ZERO_C_K, coldest)
    state = IN_REACH if held is not None else OUT_OF_REACH
    if idle.contents_k - ZERO_C_K <= target_c:
        state = ROOM_COLDER
    aim = Aim(
        state=state,
        target_c=target_c,
        tolerance_k=config.use.target_tolerance_k,
        contents_c=target_c,
        offset_k=_offset_k(plant, held or coldest.point),
        control_c=setpoint_for(told, plant, coldest),
        idle_c=idle.contents_k - ZERO_C_K,
        idle_w=idle.plug_w,
        rooms=rooms_within(told, plant, coldest),
    )
    if state == OUT_OF_REACH and coldest.decided_by not in HARMLESS:
        more = "only warms" if coldest.decided_by == "peak cooling" else "is only cut back"
        why = f"{HELD_K:g} K above the coldest: {coldest.decided_by} decides, and more drive {more}"
        return moved_to(aim, aim.control_c, why)
    return aim


def moved_to(aim: Aim, setpoint_c: float, why: str) -> Aim:
    """Return the aim with the reading moved to `setpoint_c` [°C], and why."""
    return replace(aim, contents_c=setpoint_c - aim.offset_k, why=why)
