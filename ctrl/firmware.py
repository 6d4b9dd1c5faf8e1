"""From the config to the microcontroller's settings: the one construction path."""

from dataclasses import dataclass
from math import ceil
from typing import Any

from ctrl.best_cop import BestCOPSettings
from ctrl.cascade import CascadeSettings
from ctrl.config import Config
from ctrl.config_drive import FittedSensor
from ctrl.controllers import LawSettings
from ctrl.defrost import DefrostSettings
from ctrl.fixed import FixedSettings
from ctrl.on_off import OnOffSettings
from ctrl.pi import PISettings
from ctrl.protection import ProtectionSettings
from ctrl.readings import SensorSettings
from ctrl.slow_window import SlowWindowSettings
from ctrl.two_level import TwoLevelSettings

DIGITAL_LSB_K = 0.0625


@dataclass(frozen=True)
class Firmware:
    """Everything that is flashed.

    Parameters
    ----------
    law : LawSettings
        Settings of the controller.
    protection : ProtectionSettings
        Settings of what wraps it.
    tick_s : float
        Base tick [s].
    conversion_ticks : tuple of int
        Age of a reading of control, hot-sink and cold-sink sensor [ticks].
    """

    law: LawSettings
    protection: ProtectionSettings
    tick_s: float
    conversion_ticks: tuple[int, int, int]


@dataclass(frozen=True)
class Settings:
    """A controller's settings in a maker's units, as recommended or as written.

    `controller` is the registry's name; fields of other controllers are left unused.
    """

    controller: str
    setpoint_c: float
    hysteresis_k: float = 1.0
    min_on_s: float = 180.0
    min_off_s: float = 180.0
    kp_pct_per_k: float = 20.0
    ti_s: float = 1800.0
    period_s: float = 1.0
    duty_limit: float = 1.0
    slew_pct_per_s: float | None = 5.0
    fixed_duty: float = 1.0
    defrost: DefrostSettings | None = None
    window_s: float = 0.0
    window_min_on_s: float = 0.0
    idle_duty: float = 0.2
    sink_floor_c: float = 0.5
    sink_gain: float = 2.0
    sink_ti_s: float = 1800.0
    blind_duty: float = 0.5
    cop_duties: tuple[float, ...] = ()
    assumed_lift_k: float = 30.0
    setpoint_weight: float = 1.0
    gain_schedule: tuple[tuple[float, float], ...] = ()  # (duty [-], gain [% per K])
    feed_forward_pct_per_k: float = 0.0


def settings_of(config: Config) -> Settings:
    """Return the settings that the config writes out; `recommend` counts as the drive's own law."""
    part = config.controller
    kind = part.kind
    if kind == "recommend":
        kind = "on_off" if config.drive.kind == "relay" else "pi"
    tick_s = part.tick_s
    # A thermostat knows only all or nothing: it needs no window.
    window = config.drive.kind == "slow_window" and kind != "on_off"
    return Settings(
        controller=kind,
        setpoint_c=config.use.target_c if part.setpoint_c is None else part.setpoint_c,
        hysteresis_k=part.hysteresis_k,
        min_on_s=part.min_on_s,
        min_off_s=part.min_off_s,
        kp_pct_per_k=part.kp_pct_per_k,
        ti_s=part.ti_s,
        period_s=part.period_s,
        duty_limit=part.duty_limit,
        slew_pct_per_s=part.slew_pct_per_s,
        fixed_duty=part.fixed_duty,
        defrost=defrost_of(config, tick_s),
        window_s=config.drive.window_s if window else 0.0,
        window_min_on_s=config.drive.window_min_on_s if window else 0.0,
        idle_duty=part.idle_duty,
        sink_floor_c=part.sink_floor_c,
        sink_gain=part.sink_gain,
        sink_ti_s=part.sink_ti_s,
        blind_duty=part.blind_duty,
        **_best_cop_of(config, kind),
        setpoint_weight=part.setpoint_weight,
        gain_schedule=part.gain_schedule,
        feed_forward_pct_per_k=part.feed_forward_pct_per_k,
    )


def _best_cop_of(config: Config, kind: str) -> dict[str, Any]:
    """Return the table of the best-efficiency hold, which no file states: from the plant."""
    if kind != "best_cop":
        return {}
    from ctrl.build import plant_of
    from ctrl.cop_table import cop_duties, usual_lift_k

    plant = plant_of(config)
    return {
        "cop_duties": cop_duties(plant, config.use.target_c),
        "assumed_lift_k": usual_lift_k(plant, config.use.target_c),
    }


def defrost_of(config: Config, tick_s: float) -> DefrostSettings | None:
    """Return the config's defrost plan, or None."""
    part = config.defrost
    if part.kind == "none":
        return None
    return DefrostSettings.from_physical(
        interval_s=part.interval_h * 3600.0,
        end_c=part.end_c,
        longest_s=part.longest_min * 60.0,
        drip_s=part.drip_min * 60.0,
        tick_s=tick_s,
        kind=part.kind,
        latest_s=None if part.latest_h is None else part.latest_h * 3600.0,
        grown_share=0.01 * part.grown_pct,
        reverse_share=0.01 * part.reverse_pct if part.kind == "reversed" else 0.0,
    )


def _sensor(part: FittedSensor | None, tick_s: float) -> SensorSettings:
    if part is None:
        return SensorSettings.absent()
    if part.kind == "digital":
        return SensorSettings.digital(tick_s=tick_s)
    return SensorSettings.thermistor(
        r25_ohm=part.r25_ohm,
        beta_k=part.beta_k,
        divider_ohm=part.divider_ohm,
        adc_bits=part.adc_bits,
        tick_s=tick_s,
    )


def ambient_sensor_of(config: Config) -> SensorSettings:
    """Return the room's sensor as the firmware reads it, every tick."""
    return _sensor(config.ambient_sensor, config.controller.tick_s)


def reading_step_k(part: FittedSensor) -> float:
    """Return the smallest step of a sensor's reading near 5 °C [K].

    Thermistor: one code of the divider, by the slope of its table.
    """
    if part.kind == "digital":
        return DIGITAL_LSB_K
    sensor = _sensor(part, 1.0)
    middle = min(range(1, 32), key=lambda k: abs(sensor.table[k] - 500))
    rise = abs(sensor.table[middle + 1] - sensor.table[middle - 1]) / 100.0
    return max(rise / (2 ** (part.adc_bits - 4)), 0.01)


def _law(config: Config, settings: Settings) -> LawSettings:
    if settings.controller == "fixed":
        return FixedSettings.from_physical(duty=settings.fixed_duty)
    if settings.controller == "on_off":
        return OnOffSettings.from_physical(
            setpoint_c=settings.setpoint_c,
            hysteresis_k=settings.hysteresis_k,
            on_duty=1.0 if _only_switches(config, settings) else settings.duty_limit,
        )
    if settings.controller == "two_level":
        return TwoLevelSettings.from_physical(
            setpoint_c=settings.setpoint_c,
            hysteresis_k=settings.hysteresis_k,
            high_duty=settings.duty_limit,
            idle_duty=settings.idle_duty,
        )
    if settings.controller == "cascade":
        return _cascade(config, settings)
    if settings.controller == "best_cop":
        return BestCOPSettings.from_physical(
            setpoint_c=settings.setpoint_c,
            hysteresis_k=settings.hysteresis_k,
            kp_pct_per_k=settings.kp_pct_per_k,
            ti_s=settings.ti_s,
            period_s=settings.period_s,
            cop_duties=settings.cop_duties,
            assumed_lift_k=settings.assumed_lift_k,
            reading_lsb_k=reading_step_k(config.sensor),
        )
    return PISettings.from_physical(
        setpoint_c=settings.setpoint_c,
        kp_pct_per_k=settings.kp_pct_per_k,
        ti_s=settings.ti_s,
        period_s=settings.period_s,
        reading_lsb_k=reading_step_k(config.sensor),
        setpoint_weight=settings.setpoint_weight,
        gain_schedule=settings.gain_schedule,
        feed_forward_pct_per_k=settings.feed_forward_pct_per_k,
        ambient=_sensor(config.ambient_sensor, min(settings.period_s, 1.0)),
    )


def _cascade(config: Config, settings: Settings) -> CascadeSettings:
    cold = config.cold_sink_sensor
    if cold is None:
        raise ValueError("controller = 'cascade': expected a [cold_sink_sensor]")
    return CascadeSettings.from_physical(
        setpoint_c=settings.setpoint_c,
        sink_floor_c=settings.sink_floor_c,
        sink_gain=settings.sink_gain,
        sink_ti_s=settings.sink_ti_s,
        kp_pct_per_k=settings.kp_pct_per_k,
        ti_s=settings.ti_s,
        period_s=settings.period_s,
        blind_duty=settings.blind_duty,
        reading_lsb_k=reading_step_k(config.sensor),
        cold_lsb_k=reading_step_k(cold),
    )


def _window(settings: Settings, tick_s: float) -> SlowWindowSettings | None:
    if settings.window_s <= 0.0:
        return None
    return SlowWindowSettings.from_physical(
        window_s=settings.window_s, min_on_s=settings.window_min_on_s, tick_s=tick_s
    )


def _only_switches(config: Config, settings: Settings) -> bool:
    """Tell whether the drive is only on or off, with no window to make parts of it."""
    on_off = settings.controller == "on_off"
    return config.drive.kind == "relay" or (config.drive.kind == "slow_window" and on_off)


def firmware_of(config: Config, settings: Settings) -> Firmware:
    """Return what is flashed for these settings on this config's hardware.

    Raises
    ------
    ValueError
        With one line, when a setting cannot be held in the firmware's words.
    """
    tick_s = min(settings.period_s, 1.0)
    protection, supply = config.protection, config.supply
    relay = _only_switches(config, settings)
    on_off = settings.controller == "on_off"
    sensors = (config.sensor, config.hot_sink_sensor, config.cold_sink_sensor)
    control, hot, cold = (_sensor(part, tick_s) for part in sensors)
    return Firmware(
        law=_law(config, settings),
        protection=ProtectionSettings.from_physical(
            control=control,
            hot=hot,
            cold=cold,
            tick_s=tick_s,
            period_s=settings.period_s,
            defrost=settings.defrost,
            duty_limit=1.0 if relay else settings.duty_limit,
            # An on-off law means its steps; a slew limit would only blur them.
            slew_pct_per_s=None if relay or on_off else settings.slew_pct_per_s,
            min_on_s=settings.min_on_s if on_off else 0.0,
            min_off_s=settings.min_off_s if on_off else 0.0,
            switch_only=relay,
            fold_back_start_c=protection.fold_back_start_c,
            fold_back_full_c=protection.fold_back_full_c,
            trip_c=protection.trip_c,
            hot_fan_run_on_s=protection.hot_fan_run_on_s,
            cold_fan_with_module=False,
            cut_off_v=supply.low_battery_cut_off_v,
            resume_v=supply.low_battery_resume_v,
            hot_tachometer=config.hot_sink.fan_tachometer,
            cold_tachometer=config.cold_sink.fan_tachometer,
            window=_window(settings, tick_s),
        ),
        tick_s=tick_s,
        conversion_ticks=tuple(  # type: ignore[arg-type]
            ceil(part.conversion_s / tick_s) if part is not None and part.kind == "digital" else 0
            for part in sensors
        ),
    )
