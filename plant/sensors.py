"""Sensors: what the microcontroller reads instead of a temperature.

A thermistor with a divider into an analogue-to-digital converter, or a digital
sensor of 1/16 °C; each with its lag, place, tolerance and noise.
"""

from dataclasses import dataclass
from math import exp

import numpy as np

from plant.compiled import kernel
from plant.constants import ZERO_C_K

THERMISTOR, DIGITAL = 0, 1
SENSOR_KINDS = {"thermistor": THERMISTOR, "digital": DIGITAL}
AIR, COLD_SINK, CONTENTS = 0, 1, 2
PLACES = {"air": AIR, "cold_sink": COLD_SINK, "contents": CONTENTS}
T25_K = ZERO_C_K + 25.0
ABSENT_CODE = -(2**31)  # code of a sensor that is not fitted; no converter gives it


@dataclass(frozen=True)
class Sensor:
    """One temperature sensor.

    Parameters
    ----------
    fitted : int
        1, or 0 where the cabinet has none.
    kind : int
        One of `SENSOR_KINDS`.
    place : int
        One of `PLACES` (the control sensor only).
    lag_s : float
        Time constant [s].
    r25_ohm, beta_k, divider_ohm : float
        Thermistor and the fixed resistor above it [ohm, K, ohm].
    adc_span : float
        Codes of the converter, 2^bits [-].
    noise_k, offset_k : float
        Root-mean-square noise and constant error of the reading [K].
    """

    fitted: int
    kind: int
    place: int
    lag_s: float
    r25_ohm: float
    beta_k: float
    divider_ohm: float
    adc_span: float
    noise_k: float
    offset_k: float


ABSENT = Sensor(
    fitted=0, kind=DIGITAL, place=AIR, lag_s=15.0, r25_ohm=1e4, beta_k=3950.0, divider_ohm=1e4,
    adc_span=1024.0, noise_k=0.0, offset_k=0.0,
)  # fmt: skip


@kernel
def thermistor_ohm(temp_k, r25_ohm, beta_k):
    """Return the resistance [ohm]: R25 exp(beta (1/T - 1/298.15)) (textbook beta form)."""
    return r25_ohm * exp(beta_k * (1.0 / temp_k - 1.0 / T25_K))


@kernel
def divider_code(ohm, divider_ohm, adc_span):
    """Return the converter code: span R/(R + divider), ratiometric, sensor to ground."""
    code = np.floor(adc_span * ohm / (ohm + divider_ohm) + 0.5)
    return min(max(code, 0.0), adc_span - 1.0)


@kernel
def code_of(sensor, temp_k):
    """Return the raw code [int] for the sensor's own temperature `temp_k` [K]."""
    if sensor.fitted == 0:
        return ABSENT_CODE
    if sensor.kind == DIGITAL:
        sixteenths = np.floor(16.0 * (temp_k - ZERO_C_K) + 0.5)
        return int(min(max(sixteenths, -32768.0), 32767.0))
    ohm = thermistor_ohm(temp_k, sensor.r25_ohm, sensor.beta_k)
    return int(divider_code(ohm, sensor.divider_ohm, sensor.adc_span))


@kernel
def noise_draw(seed, run, channel, tick):
    """Return a standard normal draw that depends on its four arguments alone.

    A counter-based generator: the bits of the four integers are mixed (the 64-bit
    finaliser of the splitmix generator, Steele et al. 2014) and the sum of four uniform
    16-bit parts is scaled to unit variance; its tails end at 3.5 standard deviations.
    So the noise of a run is the same whatever the number of workers.
    """
    x = np.uint64(seed) * np.uint64(0x9E3779B97F4A7C15)
    x ^= np.uint64(run) * np.uint64(0xBF58476D1CE4E5B9)
    x ^= np.uint64(channel + 1) * np.uint64(0x94D049BB133111EB)
    x += np.uint64(tick) * np.uint64(0xD6E8FEB86659FD93)
    x ^= x >> np.uint64(30)
    x *= np.uint64(0xBF58476D1CE4E5B9)
    x ^= x >> np.uint64(27)
    x *= np.uint64(0x94D049BB133111EB)
    x ^= x >> np.uint64(31)
    mask = np.uint64(0xFFFF)
    total = (
        float(x & mask)
        + float((x >> np.uint64(16)) & mask)
        + float((x >> np.uint64(32)) & mask)
        + float(x >> np.uint64(48))
    )
    # Four uniforms on 0..65535: mean 131070, standard deviation 65536/sqrt(3).
    return (total - 131070.0) / 37837.22
