"""The twenty drills: what fails, where, and the pass line of each.

Sizes of faults are invented unless a source is named.  A drill that a config gives nothing for
(no second sensor to swap wires with) says so.
"""

from collections.abc import Iterable
from dataclasses import replace
from math import ceil

from ctrl.build import plant_of
from ctrl.config import Config
from ctrl.drill_results import IN_MELT, UNHARMED, WARM, WARMEST, Act, Drill, PassLine, Scenario
from ctrl.drill_rig import (
    CHECKSUM,
    Change,
    Rig,
    air_k,
    cold_sink_k,
    control_place_k,
    hot_sink_k,
    room_k,
    stuck_at,
    with_dead_wire,
    with_fans,
    with_sensor,
    with_stuck_switch,
)
from ctrl.firmware import Settings, firmware_of
from ctrl.firmware_layout import features_of, lay_out, pack
from plant import cabinet, frost, heat_sinks
from plant.cabinet import Plant
from plant.constants import ZERO_C_K

ROOMS = ("coldest", "usual", "worst")
COLD_ROOMS = ("usual", "coldest")  # where a module that never rests can freeze what is inside
ALARM_S = 10.0  # three seconds until a fault acts, a digital sensor's conversion, and some
SECOND_FAULT_S = 600.0
STUCK_OFF_K = 1.5  # a stuck reading beside the setpoint; below the fastest believed change
DRIFT_K_PER_H = 1.0
DRIFT_STEP_S = 600.0
BLOCKED_INTAKE_SHARE, BLOCKED_DUST = 0.5, 1.5
SAG_SHARE, SAG_S = 0.8, 2.0 * 3600.0
BROWN_OUT_S = 1.0
DOOR_S = 8.0 * 3600.0  # a night
ICED_SHARE = 0.8  # of the fin gaps
HOT_ROOM_C = 43.0
CHECK_BYTES = 16  # of its settings that the firmware looks at in a tick (settings_check.c)
LATE_S = 10.0
WATCHDOG_S = 8.0  # longest of common small microcontrollers (from memory)
FUSE_BLOWS_AT = 2.0  # times its rating: within seconds (blade fuses, from memory)
FUSE_S = 5.0
SHORTED_OHM = 1e-3
WITHOUT_COLD = "cooling goes on without this sensor, and any defrost by time: no alarm is asked"
NO_FIRMWARE = "no firmware runs any more, the board's watchdog is yours to switch on"
CONTROL, HOT, COLD = cabinet.CONTROL_SENSOR, cabinet.HOT_SENSOR, cabinet.COLD_SENSOR


# Where -----------------------------------------------------------------------------------------


def stated_volts(config: Config) -> tuple[float | None, ...]:
    """Return the voltages [V] that a config states: the usual (None), the lowest, the highest."""
    part = config.supply
    others = dict.fromkeys((part.lowest_voltage_v, part.highest_voltage_v))
    return (None, *(volts for volts in others if volts != part.voltage_v))


def _at_highest(config: Config, scenarios: Iterable[Scenario]) -> tuple[Scenario, ...]:
    """Return the scenarios, and each at the highest voltage too: what heats does so most there."""
    highest_v = config.supply.highest_voltage_v
    volts = (None, highest_v) if highest_v in stated_volts(config) else (None,)
    return tuple(replace(item, volts=at_v) for item in scenarios for at_v in volts)


# What fails ------------------------------------------------------------------------------------


def _fails(part: str, change: Change) -> Act:
    """Return an action that lets `part` fail by `change`."""
    return lambda rig: rig.fail(part, change)


def _mends(part: str) -> Act:
    return lambda rig: rig.mend(part)


def _hot_fan_stops(rig: Rig) -> None:
    rig.fail("hot fan", lambda plant: with_fans(plant, hot=heat_sinks.STOPPED))


def _cold_fan_stops(rig: Rig) -> None:
    rig.fail("cold fan", lambda plant: with_fans(plant, cold=heat_sinks.STOPPED))


def _vents_blocked(rig: Rig) -> None:
    """Half the intake is exhaust, and less air comes: by the config's own laws of both."""
    part = rig.config.hot_sink
    blocked = part.model_copy(
        update={
            "exhaust_recirculation": max(part.exhaust_recirculation, BLOCKED_INTAKE_SHARE),
            "dust_factor": part.dust_factor * BLOCKED_DUST,
        }
    )
    sink = plant_of(rig.config.model_copy(update={"hot_sink": blocked})).hot_sink
    film = max(sink.fan_w_per_k, 1.0 / part.without_fan_k_per_w(rig.sound.climate.pressure_pa))
    rig.fail(
        "vents",
        lambda plant: replace(plant, hot_sink=replace(plant.hot_sink, fan_w_per_k=film)),
    )


def _hot_fan_scenarios(config: Config, settings: Settings) -> tuple[Scenario, ...]:
    return _at_highest(config, (Scenario("worst room", "worst", _hot_fan_stops),))


def _cold_fan_scenarios(config: Config, settings: Settings) -> tuple[Scenario, ...]:
    return (
        Scenario("worst room", "worst", _cold_fan_stops),
        Scenario("coldest room", "coldest", _cold_fan_stops),
    )


def _vents_scenarios(config: Config, settings: Settings) -> tuple[Scenario, ...]:
    return _at_highest(config, (Scenario("worst room", "worst", _vents_blocked),))


# Sensors -----------------------------------------------------------------------------------------


def _fitted(config: Config) -> list[tuple[str, str, int]]:
    """Return (words, field, state) of every sensor that the config has."""
    found = [("control sensor", "control_sensor", CONTROL)]
    if config.hot_sink_sensor is not None:
        found.append(("hot-sink sensor", "hot_sensor", HOT))
    if config.cold_sink_sensor is not None:
        found.append(("cold-sink sensor", "cold_sensor", COLD))
    return found


def _wire_fails(name: str, open_wire: bool) -> Act:
    return _fails("wire", lambda plant: with_dead_wire(plant, name, open_wire=open_wire))


def _dead_wire_scenarios(config: Config, open_wire: bool) -> tuple[Scenario, ...]:
    found = []
    for words, name, sensor in _fitted(config):
        inject = _wire_fails(name, open_wire)
        line = PassLine(notes=(WITHOUT_COLD,)) if sensor == COLD else None
        found.append(Scenario(words, "worst", inject, pass_line=line))
    return tuple(found)


def _open_scenarios(config: Config, settings: Settings) -> tuple[Scenario, ...]:
    return _dead_wire_scenarios(config, True)


def _short_scenarios(config: Config, settings: Settings) -> tuple[Scenario, ...]:
    return _dead_wire_scenarios(config, False)


def _stuck_scenarios(config: Config, settings: Settings) -> tuple[Scenario, ...]:
    band_k = settings.hysteresis_k if settings.controller == "on_off" else 0.0
    warm_c = settings.setpoint_c + STUCK_OFF_K + band_k
    cold_c = settings.setpoint_c - STUCK_OFF_K
    found = [
        *(Scenario("stuck on a warm reading", room, lambda rig: stuck_at(rig, CONTROL, warm_c))
          for room in COLD_ROOMS),
        Scenario("stuck on a cold reading", "worst", lambda rig: stuck_at(rig, CONTROL, cold_c)),
    ]  # fmt: skip
    if config.hot_sink_sensor is not None:
        found.append(
            Scenario(
                "hot-sink sensor stuck, then the hot fan stops", "worst",
                lambda rig: stuck_at(rig, HOT), ((SECOND_FAULT_S, _hot_fan_stops),),
            )
        )  # fmt: skip
    return tuple(found)


def _drifted(k: float) -> Act:
    return _fails("drift", lambda plant: with_sensor(plant, "control_sensor", offset_k=k))


def _drift_scenarios(config: Config, settings: Settings) -> tuple[Scenario, ...]:
    found = []
    runs = [("reads ever warmer", room, 1.0) for room in COLD_ROOMS]
    for words, room, sign in (*runs, ("ever colder", "worst", -1.0)):
        step_k = sign * DRIFT_K_PER_H * DRIFT_STEP_S / 3600.0
        later = tuple(
            (count * DRIFT_STEP_S, _drifted(step_k * (count + 1)))
            for count in range(1, round(24.0 * 3600.0 / DRIFT_STEP_S))
        )
        found.append(Scenario(words, room, _drifted(step_k), later))
    return tuple(found)


def _fallen_scenarios(config: Config, settings: Settings) -> tuple[Scenario, ...]:
    found = [
        Scenario("control sensor out in the room", room, lambda rig: rig.lead(CONTROL, room_k))
        for room in COLD_ROOMS
    ]
    if config.hot_sink_sensor is not None:
        found.append(
            Scenario(
                "hot-sink sensor in the room's air, then the hot fan stops", "worst",
                lambda rig: rig.lead(HOT, room_k), ((SECOND_FAULT_S, _hot_fan_stops),),
            )
        )  # fmt: skip
    if config.cold_sink_sensor is not None:
        found.append(
            Scenario("cold-sink sensor in the cabinet's air", "worst",
                     lambda rig: rig.lead(COLD, air_k))
        )  # fmt: skip
    return tuple(found)


PLACES = {CONTROL: control_place_k, HOT: hot_sink_k, COLD: cold_sink_k}


def _swap(one: int, other: int) -> Act:
    def inject(rig: Rig) -> None:
        rig.lead(one, PLACES[other])
        rig.lead(other, PLACES[one])

    return inject


def _swap_scenarios(config: Config, settings: Settings) -> tuple[Scenario, ...] | str:
    """Wires are swapped when the cabinet is built: from a warm start.

    In every room: what reads a hot sink asks for all there is, and freezes in a cool room what it
    hardly cools in a hot one.
    """
    parts = {CONTROL: config.sensor, HOT: config.hot_sink_sensor, COLD: config.cold_sink_sensor}
    fitted, found = _fitted(config), []
    for index, (words, _, one) in enumerate(fitted):
        for other_words, _, other in fitted[index + 1 :]:
            first, second = parts[one], parts[other]
            if first is not None and second is not None and first.kind == second.kind:
                name = f"{words} and {other_words}"
                found += [Scenario(name, room, _swap(one, other), start=WARM) for room in ROOMS]
    return tuple(found) or "no two sensors of one kind, whose wires could be swapped"


# Module, switch, supply --------------------------------------------------------------------------


def _module_open_scenarios(config: Config, settings: Settings) -> tuple[Scenario, ...]:
    opens = _fails("module", lambda plant: with_stuck_switch(plant, 0.0))
    return (Scenario("worst room", "worst", opens), Scenario("coldest room", "coldest", opens))


def _shorted(plant: Plant) -> Plant:
    """Return the plant with a module bridged by solder: next to no resistance, no pumping."""
    part = plant.module
    return replace(
        plant,
        module=replace(
            part,
            seebeck_v_per_k=1e-6,
            resistance_ohm=SHORTED_OHM,
            temperature_dependence=0,
            stages=1,
        ),
    )


def short_current_a(plant: Plant) -> float:
    """Return what the supply sends through a shorted module at full duty [A]."""
    part = plant.drive
    whole = part.source_ohm + part.wire_ohm + part.switch_ohm + SHORTED_OHM
    return min(part.supply_v / whole, part.current_limit_a)


def fuse_blows(config: Config, plant: Plant) -> bool:
    """Tell whether the fuse goes within seconds at a module's short."""
    return short_current_a(plant) >= FUSE_BLOWS_AT * config.supply.fuse_a


def _module_shorted_scenarios(config: Config, settings: Settings) -> tuple[Scenario, ...]:
    """The fuse opens everything behind it; where it holds, the short stays."""
    then: tuple[tuple[float, Act], ...] = ()
    if fuse_blows(config, plant_of(config)):
        dead = _fails(
            "fuse",
            lambda plant: with_fans(
                with_stuck_switch(plant, 0.0), heat_sinks.STOPPED, heat_sinks.STOPPED
            ),
        )
        then = ((FUSE_S, dead),)
    return (Scenario("worst room", "worst", _fails("module", _shorted), then),)


def _stuck_switch_scenarios(
    duty: float, volts: tuple[float | None, ...] = (None,)
) -> tuple[Scenario, ...]:
    sticks = _fails("switch", lambda plant: with_stuck_switch(plant, duty))
    return tuple(
        Scenario(f"{room} room", room, sticks, volts=at_v) for room in ROOMS for at_v in volts
    )


def _stuck_on_scenarios(config: Config, settings: Settings) -> tuple[Scenario, ...]:
    """At every stated voltage: more of it may chill more, or heat more than it chills."""
    return _stuck_switch_scenarios(1.0, stated_volts(config))


def _stuck_off_scenarios(config: Config, settings: Settings) -> tuple[Scenario, ...]:
    return _stuck_switch_scenarios(0.0)


def _sagging(plant: Plant) -> Plant:
    drive = plant.drive
    return replace(plant, drive=replace(drive, supply_v=SAG_SHARE * drive.supply_v))


def _sag_scenarios(config: Config, settings: Settings) -> tuple[Scenario, ...]:
    return (
        Scenario("worst room", "worst", _fails("supply", _sagging), ((SAG_S, _mends("supply")),)),
    )


def _brown_out(rig: Rig) -> None:
    rig.run(BROWN_OUT_S, powered=False, row_s=BROWN_OUT_S)
    rig.loop.restart()


def _brown_out_scenarios(config: Config, settings: Settings) -> tuple[Scenario, ...] | str:
    if settings.defrost is None:
        return "no defrost to be caught in"
    return (Scenario("worst room", "worst", _brown_out, start=IN_MELT),)


# Use and room ------------------------------------------------------------------------------------


def _door_opens(rig: Rig) -> None:
    def opened(plant: Plant) -> Plant:
        always = replace(plant.climate, doors_per_day=1, door_first_hour=0.0, door_open_s=1e9)
        return replace(plant, climate=always)

    rig.fail("door", opened)


def _door_scenarios(config: Config, settings: Settings) -> tuple[Scenario, ...]:
    return (Scenario("worst room", "worst", _door_opens, ((DOOR_S, _mends("door")),)),)


def _ice_up(rig: Rig) -> None:
    """Put frost on the cold sink until it closes most of the gaps; its cold stays what it was."""
    state, record = rig.loop.state, rig.record
    sink_k = float(cabinet.cold_sink_temperature(record, state))
    part = rig.loop.plant.cold_sink
    thickness = 0.5 * ICED_SHARE * part.fin_gap_m
    assert abs(frost.open_fraction(thickness, part.fin_gap_m) - (1.0 - ICED_SHARE)) < 1e-9
    volume = thickness * part.fin_area_m2
    state[cabinet.FROST_VOLUME] = volume
    state[cabinet.FROST] = 300.0 * volume  # kg/m3; older frost, from memory
    cabinet.set_cold_sink(record, state, min(sink_k, ZERO_C_K - 0.5))


def _iced_scenarios(config: Config, settings: Settings) -> tuple[Scenario, ...]:
    return (Scenario("worst room", "worst", _ice_up),)


def _hot_room_scenarios(config: Config, settings: Settings) -> tuple[Scenario, ...]:
    room_c = max(HOT_ROOM_C, config.climate.worst_c)

    def hot(plant: Plant) -> Plant:
        return replace(plant, climate=replace(plant.climate, mean_k=room_c + ZERO_C_K))

    return _at_highest(config, (Scenario(f"{room_c:g} °C", "worst", _fails("room", hot)),))


# Firmware ----------------------------------------------------------------------------------------


def _words_flip(rig: Rig) -> None:
    """Until the check comes by, the worst that a wrong word can do: full duty."""
    rig.fail("settings", lambda plant: with_stuck_switch(plant, 1.0))


def _checksum_fails(rig: Rig) -> None:
    """Safe state: module off, hot fan on where the firmware switches it, alarm, latched."""
    own = rig.sound.hot_sink.fan_wiring == heat_sinks.OWN_SWITCH
    fan = heat_sinks.ALWAYS if own else None
    rig.noted_state = CHECKSUM
    rig.fail("settings", lambda plant: with_fans(with_stuck_switch(plant, 0.0), hot=fan))


def check_s(config: Config, settings: Settings) -> float:
    """Return the longest that a flipped word can go unseen [s].

    The checksum is compared at the end of a pass; a word that flips when it has just been read
    is seen at the end of the next.
    """
    firmware = firmware_of(config, settings)
    law, protection = firmware.law, firmware.protection
    count = len(pack(lay_out(law, protection, features_of(law, protection))))
    return ceil(2 * count / CHECK_BYTES) * firmware.tick_s


def _corrupted_scenarios(config: Config, settings: Settings) -> tuple[Scenario, ...]:
    seen_s = check_s(config, settings)
    line = PassLine(off_within_s=seen_s + ALARM_S)
    then = ((seen_s, _checksum_fails),)
    return tuple(
        Scenario(f"{room} room", room, _words_flip, then, pass_line=line)
        for room in ("usual", "worst")
    )


def _late_scenarios(config: Config, settings: Settings) -> tuple[Scenario, ...]:
    halt = Rig.halt_firmware
    return (
        Scenario(f"one tick {LATE_S:g} s late", "worst", halt,
                 ((LATE_S, lambda rig: rig.go_on(restarted=False)),)),
        Scenario(f"stopped; a watchdog restarts it after {WATCHDOG_S:g} s", "worst", halt,
                 ((WATCHDOG_S, lambda rig: rig.go_on(restarted=True)),)),
        Scenario("stopped for good ten minutes into a pull-down, no watchdog", "usual",
                 lambda rig: None, ((600.0, halt),), WARM,
                 PassLine(judged=False, notes=(NO_FIRMWARE,))),
    )  # fmt: skip


_COLD_AGAIN = (*UNHARMED, WARMEST)

DRILLS = {
    drill.name: drill
    for drill in (
        Drill("hot_fan_stopped", "the hot fan stops for good", PassLine(), _hot_fan_scenarios),
        Drill("cold_fan_stopped", "the inside fan stops for good", PassLine(),
              _cold_fan_scenarios),
        Drill("vents_blocked", "half of the intake is the sink's own exhaust, and its fan's K/W "
              f"is {BLOCKED_DUST:g} times as much", PassLine(), _vents_scenarios),
        Drill("sensor_open", "a sensor's wire breaks", PassLine(off_within_s=ALARM_S),
              _open_scenarios),
        Drill("sensor_short", "a sensor's wires touch", PassLine(off_within_s=ALARM_S),
              _short_scenarios),
        Drill("sensor_stuck", "a sensor's reading stands still", PassLine(), _stuck_scenarios),
        Drill("sensor_drifting", f"the control sensor drifts by {DRIFT_K_PER_H:g} K an hour for a "
              "day", PassLine(), _drift_scenarios),
        Drill("sensor_fallen_off", "a sensor falls off into the open air", PassLine(),
              _fallen_scenarios),
        Drill("sensors_swapped", "two sensors' wires are swapped when the cabinet is built",
              PassLine(), _swap_scenarios),
        Drill("module_open", "a solder joint in the module opens", PassLine(),
              _module_open_scenarios),
        Drill("module_shorted", "the module is bridged by solder", PassLine(),
              _module_shorted_scenarios),
        Drill("switch_stuck_on", "the module's switch stays on", PassLine(), _stuck_on_scenarios),
        Drill("switch_stuck_off", "the module's switch stays off", PassLine(),
              _stuck_off_scenarios),
        Drill("supply_sagging", f"the supply falls to {100 * SAG_SHARE:g} % of its voltage for "
              f"{SAG_S / 3600:g} h", PassLine(back_within_h=12.0), _sag_scenarios),
        Drill("brown_out_in_defrost", f"no power for {BROWN_OUT_S:g} s in the middle of a melt",
              PassLine(limits=_COLD_AGAIN), _brown_out_scenarios),
        Drill("door_left_open", f"the door stands open for {DOOR_S / 3600:g} h",
              PassLine(back_within_h=24.0), _door_scenarios),
        Drill("sink_iced", f"ice closes {100 * ICED_SHARE:g} % of the cold sink's gaps",
              PassLine(clear_within_h=24.0), _iced_scenarios),
        Drill("ambient_43_c", f"the room stands at {HOT_ROOM_C:g} °C", PassLine(),
              _hot_room_scenarios),
        Drill("settings_corrupted", "a word of the settings flips: full duty until the checksum, "
              f"{CHECK_BYTES} bytes a tick, has come by for certain; then the safe state",
              PassLine(), _corrupted_scenarios),
        Drill("tick_late", "the control loop stands still", PassLine(), _late_scenarios),
    )
}  # fmt: skip
