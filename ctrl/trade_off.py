"""What a thermostat's band buys on a cabinet, beside the one that is flashed, and where it senses.

The band to flash is that of `ctrl.tuned`, with the defrost plan that the cabinet needs; the
same without the plan stands beside it, for the melts change swing, setpoint and relay's life.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from ctrl.aim import ROOM_COLDER, Aim, aim_of
from ctrl.bands import BANDS_K, BandPoint, Seen, Thermostat, band_point, relay_config
from ctrl.build import plant_of
from ctrl.candidates import Candidate, on_off_candidate, with_drive
from ctrl.config import Config
from ctrl.defrost import DefrostSettings
from ctrl.ice import DefrostPlan
from ctrl.tuned import Tuned, aimed, at_setpoint, centred, settled, tuned
from ctrl.tuning import NoTuning
from plant import sensors

PLACES = {"air": sensors.AIR, "cold_sink": sensors.COLD_SINK, "contents": sensors.CONTENTS}
Progress = Callable[[str], None]


@dataclass(frozen=True)
class PlacePoint:
    """The thermostat with its sensor at one place, setpoint and band decided by the same rule."""

    place: str
    hysteresis_k: float
    setpoint_c: float
    usual: Seen
    relay_life_years: float | None
    decided_by: str


@dataclass(frozen=True)
class TradeOff:
    """Bands compared, the band that is flashed and why, and the sensor's places.

    `plan` is the defrost that the cabinet needs, None where it needs none; bands and places run
    with it where it works, and `bare` is the same thermostat without it then.  `aim` is what the
    setpoint is for; out of reach the bands run at its `control_c`, where the thermostat cycles.
    """

    config: Config
    setpoint_c: float
    points: tuple[BandPoint, ...]
    chosen: BandPoint
    decided_by: str
    places: tuple[PlacePoint, ...]
    seed: int
    has_relay: bool
    aim: Aim
    min_on_s: float = 180.0
    min_off_s: float = 180.0
    plan: DefrostPlan | None = None
    bare: PlacePoint | None = None
    least_times: str = ""
    hot_side: str = ""

    @property
    def lack(self) -> str:
        """What the recommended band fails, in words; empty where the target is held."""
        use, mean_c = self.config.use, self.chosen.usual.contents_c_mean
        if abs(mean_c - use.target_c) <= use.target_tolerance_k:
            return ""
        return (
            f"{use.target_c:g} °C is not held in the usual room: the contents mean {mean_c:.1f} °C"
        )

    @property
    def no_defrost(self) -> str:
        """Why no defrost is flashed, in words, where none is."""
        if self.plan is None:
            return "the cold sink keeps clear in every room"
        return "none tried keeps the cold sink clear"


def placed(config: Config, place: str) -> Config:
    """Return the config with its control sensor at another place."""
    if config.sensor.place == place:
        return config
    sensor = config.sensor.model_copy(update={"place": place})
    return config.model_copy(update={"sensor": sensor})


def nothing_to_cool(config: Config) -> str:
    """Return why no thermostat is needed, in words; empty where the usual room asks for one."""
    aim = aim_of(config, with_drive(plant_of(config), "relay"), "relay")
    return aim.words if aim.state == ROOM_COLDER else ""


def first_thermostat(config: Config) -> Candidate:
    """Return the thermostat by its closed form, on a relay, setpoint by the steady state.

    Raises
    ------
    NoTuning
        When the thermostat would be always on or always off.
    """
    plant = plant_of(config)
    reading_c = aim_of(config, with_drive(plant, "relay"), "relay").control_c
    candidate = on_off_candidate(config, plant, "relay", reading_c, True)
    if candidate.on_off is None:
        raise NoTuning(candidate.note.removeprefix("not tuned: "))
    return candidate


def tuned_thermostat(config: Config, seed: int, progress: Progress = lambda stage: None) -> Tuned:
    """Return the thermostat to flash where the drive is a relay: what `recommend` flashes.

    Raises
    ------
    NoTuning
        When the thermostat would be always on or always off.
    """
    config = relay_config(config)
    return tuned(config, [first_thermostat(config)], seed, progress=progress)


def thermostat_of(config: Config, candidate: Candidate, seed: int) -> Thermostat:
    """Return a tuned thermostat on a relay, ready to be run with other bands."""
    return Thermostat(relay_config(config), candidate.plant, candidate.settings, seed)


def place_point(
    config: Config, place: str, seed: int, defrost: DefrostSettings | None = None,
    flashed: Aim | None = None,
) -> PlacePoint | None:  # fmt: skip
    """Return the thermostat with its sensor at a place and a given defrost, or None.

    None where it would not cycle.  `flashed` is the aim of what is flashed.
    """
    config = relay_config(placed(config, place))
    try:
        first = first_thermostat(config)
    except NoTuning:
        return None
    found = settled(config, centred(config, first, seed)[0], seed, defrost)
    found = aimed(config, found, flashed)
    return _place_of(config, place, found, seed)


def _place_of(config: Config, place: str, found: Candidate, seed: int) -> PlacePoint:
    thermostat = thermostat_of(config, found, seed)
    seen, life = thermostat.seen(found.settings.hysteresis_k)
    return PlacePoint(place, found.settings.hysteresis_k, found.settings.setpoint_c, seen, life,
                      found.decided_by)  # fmt: skip


def trade_off(
    config: Config,
    *,
    bands_k: Sequence[float] = BANDS_K,
    seed: int = 1,
    progress: Progress = lambda stage: None,
) -> TradeOff:
    """Return the trade-off of a thermostat on this cabinet with a relay.

    Parameters
    ----------
    config : Config
    bands_k : sequence of float
        Full bands to try [K].
    seed : int
        Of the sensor noise.
    progress : callable
        Told each stage in words as it begins.

    Raises
    ------
    NoTuning
        When the thermostat would be always on or always off in the usual room.
    """
    ready = tuned_thermostat(config, seed, progress)
    best, place = ready.best, config.sensor.place
    progress("running the thermostat with several bands")
    thermostat = thermostat_of(config, best, seed)
    switched = thermostat.switched()
    chosen = band_point(thermostat, switched, best.settings.hysteresis_k)
    cycling, bands = switched, thermostat
    if ready.aim.is_out_of_reach:
        bands = thermostat_of(config, at_setpoint(best, ready.aim.control_c), seed)
        cycling = bands.switched()
    points = [band_point(bands, cycling, band_k) for band_k in bands_k]
    here = PlacePoint(place, chosen.hysteresis_k, best.settings.setpoint_c, chosen.usual,
                      chosen.relay_life_years, best.decided_by)  # fmt: skip
    places = [
        here if other == place else place_point(config, other, seed, ready.defrost, ready.aim)
        for other in PLACES
    ]
    planned = ready.defrost is not None
    return TradeOff(
        config, best.settings.setpoint_c, tuple(points), chosen, best.decided_by,
        tuple(item for item in places if item is not None), seed,
        config.drive.kind in ("relay", "slow_window"),
        ready.aim,
        best.settings.min_on_s, best.settings.min_off_s,
        plan=ready.plan,
        bare=place_point(config, place, seed, flashed=ready.aim) if planned else None,
        least_times="" if best.on_off is None else best.on_off.least_times_words,
        hot_side=best.hot_side,
    )  # fmt: skip
