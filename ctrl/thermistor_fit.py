"""Whether a thermistor's divider fits the temperatures that it shall read.

The firmware draws 32 straight lines over the converter's span.  Where the thermistor's
resistance is far from the divider's, the code hardly moves, a line spans many kelvins, and
the chord misses the data sheet's curve; past 2 % of either end the code counts as a broken or
shorted wire.  A divider of about the thermistor's resistance at the setpoint puts the
setpoint in the middle of the span (common practice, no source).
"""

from dataclasses import dataclass

import numpy as np

from ctrl.config import Config
from ctrl.config_drive import FittedSensor
from ctrl.readings import BAD_SHARE, TABLE_POINTS, thermistor_table, thermistor_temp_c
from plant.constants import ZERO_C_K
from plant.sensors import thermistor_ohm

AROUND_K = 10.0
WORTH_SAYING_K = 0.1
ABOVE_TRIP_K = 5.0
HOT_WORTH_SAYING_K = 1.0  # a tenth of what fold-back usually spans; engineering choice
LOOK_EVERY_K = 0.02


@dataclass(frozen=True)
class TableFit:
    """What a thermistor's table makes of a range of temperatures.

    Attributes
    ----------
    error_k : float
        Reading less temperature where they differ most, by the sheet's beta equation [K].
    at_c : float
        Where that is [deg C].
    coldest_c, hottest_c : float
        What the believed codes reach [deg C].
    """

    error_k: float
    at_c: float
    coldest_c: float
    hottest_c: float


def table_fit(
    r25_ohm: float, beta_k: float, divider_ohm: float, adc_bits: int, low_c: float, high_c: float
) -> TableFit:
    """Return how well the firmware's table follows the thermistor between two temperatures.

    Only what the believed codes reach is looked at; the step of the converter is left out.

    Parameters
    ----------
    r25_ohm, beta_k, divider_ohm : float
        Thermistor at 25 deg C [ohm], beta [K], fixed resistor [ohm].
    adc_bits : int
        Bits of the converter, 8 to 16 [-].
    low_c, high_c : float
        Range [deg C].

    Returns
    -------
    TableFit
        Error 0 where no believed code lies in the range.
    """
    coldest = thermistor_temp_c(1.0 - BAD_SHARE, r25_ohm, beta_k, divider_ohm)
    hottest = thermistor_temp_c(BAD_SHARE, r25_ohm, beta_k, divider_ohm)
    first, last = max(low_c, coldest), min(high_c, hottest)
    if first > last:
        return TableFit(0.0, low_c, coldest, hottest)
    temps_c = np.linspace(first, last, 1 + max(1, round((last - first) / LOOK_EVERY_K)))
    ohm = np.array([thermistor_ohm(temp + ZERO_C_K, r25_ohm, beta_k) for temp in temps_c])
    table = thermistor_table(r25_ohm, beta_k, divider_ohm, adc_bits)
    read_c = np.interp(
        ohm / (ohm + divider_ohm), np.linspace(0.0, 1.0, TABLE_POINTS), 0.01 * np.array(table)
    )
    worst = int(np.argmax(np.abs(read_c - temps_c)))
    return TableFit(float((read_c - temps_c)[worst]), float(temps_c[worst]), coldest, hottest)


@dataclass(frozen=True)
class Duty:
    """What a thermistor is there to read.

    Attributes
    ----------
    name : str
        Of the sensor.
    part : FittedSensor
    low_c, high_c : float
        Range that it shall read [deg C].
    held_c : float
        Where it matters most [deg C].
    worth_k : float
        Error of its table that is worth saying [K].
    """

    name: str
    part: FittedSensor
    low_c: float
    high_c: float
    held_c: float
    worth_k: float

    @property
    def fit(self) -> TableFit:
        """How well its table follows it."""
        part = self.part
        return table_fit(
            part.r25_ohm, part.beta_k, part.divider_ohm, part.adc_bits, self.low_c, self.high_c
        )


def duties_of(config: Config, setpoint_c: float | None = None) -> list[Duty]:
    """Return what each fitted thermistor shall read.

    Control and cold-sink sensor from 0 deg C, or 10 K below the setpoint where that is colder,
    to 10 K above it; the hot sink's from the usual room to 5 K above its trip, best where
    fold-back begins.

    Parameters
    ----------
    config : Config
    setpoint_c : float, optional
        The target where left out [deg C].
    """
    held_c = config.use.target_c if setpoint_c is None else setpoint_c
    inside = (min(0.0, held_c - AROUND_K), held_c + AROUND_K, held_c, WORTH_SAYING_K)
    guard = config.protection
    outside = (config.climate.usual_c, guard.trip_c + ABOVE_TRIP_K, guard.fold_back_start_c,
               HOT_WORTH_SAYING_K)  # fmt: skip
    parts = (
        ("control", config.sensor, inside),
        ("cold-sink", config.cold_sink_sensor, inside),
        ("hot-sink", config.hot_sink_sensor, outside),
    )
    return [
        Duty(name, part, *limits)
        for name, part, limits in parts
        if part is not None and part.kind == "thermistor"
    ]


def thermistor_cautions(config: Config, setpoint_c: float | None = None) -> list[str]:
    """Return a line for each thermistor whose divider does not fit what it shall read.

    Parameters
    ----------
    config : Config
    setpoint_c : float, optional
        The target where left out [deg C].
    """
    found = []
    for duty in duties_of(config, setpoint_c):
        name, part, low_c, high_c, held_c = (
            duty.name, duty.part, duty.low_c, duty.high_c, duty.held_c
        )  # fmt: skip
        sheet, bits, fit = (part.r25_ohm, part.beta_k), part.adc_bits, duty.fit
        faults = []
        if abs(fit.error_k) > duty.worth_k:
            faults.append(f"misses its curve by up to {fit.error_k:+.1f} K (at {fit.at_c:.0f} °C)")
        if fit.coldest_c > low_c:
            faults.append(f"takes what is below {fit.coldest_c:.0f} °C for a broken wire")
        if fit.hottest_c < high_c:
            faults.append(f"takes what is above {fit.hottest_c:.0f} °C for a short")
        if faults:
            fits_ohm = float(f"{thermistor_ohm(held_c + ZERO_C_K, *sheet):.2g}")
            better = abs(table_fit(*sheet, fits_ohm, bits, low_c, high_c).error_k)
            found.append(
                f"The {name} thermistor's divider of {part.divider_ohm:g} ohm does not fit "
                f"{low_c:.0f} to {high_c:.0f} °C: its table {' and '.join(faults)}. About "
                f"{fits_ohm:g} ohm, the thermistor's own at {held_c:g} °C, would fit: "
                f"{better:.2f} K."
            )
    return found
