"""Tuning: the gains of the PI controller, the band and least times of the thermostat.

Every result says what decided it.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from math import inf
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ctrl.first_order import FirstOrder, crossover_guess, first_order, simc
from ctrl.linearise import (
    LinearPlant,
    frequency_response,
    sampled_response,
    steady_gain_k_per_duty,
)
from ctrl.margins import Margins, frequency_grid, margins_of, pi_response, worst
from ctrl.pi import PISettings
from ctrl.switching_cycle import Cycle, NoCycle, SwitchedPlant, switched_plant
from plant.cabinet import Plant
from plant.constants import ZERO_C_K

if TYPE_CHECKING:
    from ctrl.pi_search import PISearch

HOURS_PER_YEAR = 24.0 * 365.25

# Floors of robustness. Ms and gain margin are textbook figures; 45 degrees likewise (the
# tight rule itself gives 46.9 to 61.4).
LARGEST_MS = 1.7
LEAST_GAIN_MARGIN = 2.5
LEAST_PHASE_MARGIN_DEG = 45.0
# How far noise (root mean square) and one step of the reading may move the duty.
# Common practice, no source.
NOISE_DUTY_PCT = 2.0
STEP_DUTY_PCT = 4.0
# Integral by forward Euler is as good as continuous when the period is below Ti/20
# (from memory).
LEAST_PERIODS_IN_TI = 20.0
PERIODS_S = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 30.0, 60.0)
SLOWER = 1.04  # ratio of one trial closed-loop time constant to the next
SLOWEST = 200.0  # largest multiple of the dead time that is tried


class NoTuning(ArithmeticError):
    """No setting meets the demands; the message says which one fails and where."""


# PI ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class PITuning:
    """A PI setting and how it was found.

    Attributes
    ----------
    kp_pct_per_k, ti_s, period_s : float
        Gain [% duty per K], integral time [s], control period [s].
    tau_c_s : float
        Closed-loop time constant asked of the rule [s].
    model : FirstOrder
        The fit the rule was used on; its dead time counts delay, half a period, half a
        slow window.
    governing : int
        Index of the plant that was fitted: highest gain at crossover of those that may be.
    margins : tuple of Margins
        One per plant.
    worst : Margins
        Smallest of each.
    decided_by : str
        What kept the loop from being quicker.
    noise_duty_pct : float
        Root-mean-square movement of the duty from the reading's noise [%].
    gains_k : tuple of float
        Fall of the reading per unit of duty where the tuned loop crosses, of each plant [K].
    highest, lowest : int
        Indices of most and least of them: stability is judged at the one, regulation at the
        other (the caller may leave out plants the loop does not stay at).
    search : PISearch or None
        What a search on the whole loop found beside the rule, with figures before and after.
    """

    kp_pct_per_k: float
    ti_s: float
    period_s: float
    tau_c_s: float
    model: FirstOrder
    governing: int
    margins: tuple[Margins, ...]
    worst: Margins
    decided_by: str
    noise_duty_pct: float
    gains_k: tuple[float, ...] = ()
    highest: int = 0
    lowest: int = 0
    search: "PISearch | None" = None


def lack_of(found: Margins) -> str | None:
    """Return the first floor of robustness that a loop misses, or None."""
    if not found.stable:
        return "stability"
    if found.ms > LARGEST_MS:
        return f"peak sensitivity Ms <= {LARGEST_MS:g}"
    if found.gain_margin < LEAST_GAIN_MARGIN or found.gain_reduction_margin < LEAST_GAIN_MARGIN:
        return f"gain margin >= {LEAST_GAIN_MARGIN:g}"
    if found.phase_margin_deg < LEAST_PHASE_MARGIN_DEG:
        return f"phase margin >= {LEAST_PHASE_MARGIN_DEG:g} deg"
    return None


def name_of(linear: LinearPlant) -> str:
    """Return the operating point in words; with the supply's voltage where it is told."""
    words = f"duty {linear.duty:.2f}, {linear.ambient_k - ZERO_C_K:.0f} °C ambient, {linear.regime}"
    return words if linear.supply_v == 0.0 else f"{words}, {linear.supply_v:.1f} V"


@dataclass(frozen=True, eq=False)
class _Sampled:
    """One plant's response on its grid, computed once for all trial settings."""

    linear: LinearPlant
    omega: NDArray
    response: NDArray
    period_s: float

    def margins(self, kp_pct_per_k: float, ti_s: float) -> Margins:
        controller = pi_response(kp_pct_per_k, ti_s, self.period_s, self.omega)
        return margins_of(self.omega, self.response * controller)


def _sampled(linear: LinearPlant, period_s: float, delay_s: float) -> _Sampled:
    omega = frequency_grid(linear, period_s, delay_s, 0.0)
    return _Sampled(linear, omega, sampled_response(linear, period_s, delay_s, omega), period_s)


def _rule(model: FirstOrder, tau_c_s: float, period_s: float) -> tuple[float, float]:
    """Return (kp, ti) of the SIMC rule, ti at least what the period needs to be sampled finely.

    A longer integral time than the rule's is the safe side: less phase is lost at crossover.
    """
    kp, ti = simc(model, tau_c_s)
    return kp, max(ti, LEAST_PERIODS_IN_TI * period_s)


def _least_tau_c(
    model: FirstOrder, loops: Sequence[_Sampled], least_tau_c_s: float
) -> tuple[float, str | None]:
    """Return (smallest tau_c [s] at which every loop is robust, what the next smaller lacks)."""
    tau_c, lacking = least_tau_c_s, None
    while tau_c <= max(SLOWEST * model.dead_time_s, 2.0 * least_tau_c_s):
        kp, ti = _rule(model, tau_c, loops[0].period_s)
        for loop in loops:
            lack = lack_of(loop.margins(kp, ti))
            if lack is not None:
                lacking = f"{lack} at {name_of(loop.linear)}"
                break
        else:
            return tau_c, lacking
        tau_c *= SLOWER
    raise NoTuning(f"no gain is robust on every operating point: {lacking}")


def _highest_gain(plants: Sequence[LinearPlant], delay_s: float) -> int:
    """Return the index of the plant with the highest gain where the quickest loop crosses."""
    omega = np.array([max(crossover_guess(linear, delay_s) for linear in plants)])
    return int(np.argmax([abs(frequency_response(linear, omega)[0]) for linear in plants]))


def gains_at(plants: Sequence[LinearPlant], omega: float) -> list[float]:
    """Return the fall of the reading per unit of duty at `omega` [rad/s] of each plant [K]."""
    return [float(abs(frequency_response(linear, np.array([omega]))[0])) for linear in plants]


def _periods_from(period_s: float) -> list[float]:
    return [period_s, *(p for p in PERIODS_S if p > period_s * (1.0 + 1e-9))]


def _refusal(kp: float, ti: float, period_s: float, reading_lsb_k: float) -> str | None:
    """Return why the firmware's whole numbers refuse a setting, or None."""
    if period_s * LEAST_PERIODS_IN_TI > ti:
        most_s = ti / LEAST_PERIODS_IN_TI
        return f"the period, {period_s:g} s, is above Ti/{LEAST_PERIODS_IN_TI:g} = {most_s:.3g} s"
    try:
        PISettings.from_physical(
            setpoint_c=5.0, kp_pct_per_k=kp, ti_s=ti, period_s=period_s,
            reading_lsb_k=reading_lsb_k,
        )  # fmt: skip
    except ValueError as refused:
        return str(refused)
    return None


def tune_pi(
    plants: Sequence[LinearPlant],
    period_s: float,
    delay_s: float,
    *,
    noise_k: float = 0.0,
    reading_lsb_k: float = 0.01,
    window_s: float = 0.0,
    fitted: int | None = None,
) -> PITuning:
    """Return the quickest PI setting that is robust on every operating point.

    Begins with the SIMC rule, tau_c = dead time, on the plant with the highest gain at
    crossover; slows down until Ms, gain margin and phase margin hold on all plants, and
    further until noise and reading steps move the duty little enough; lengthens the
    period when the firmware's whole numbers cannot hold the gains.

    Parameters
    ----------
    plants : sequence of LinearPlant
        Several duties, ambients and regimes; at least one.
    period_s : float
        Control period wanted [s].
    delay_s : float
        From the reading to the change of duty [s]: age of the reading (its conversion
        time), and the computing tick where the duty is given one tick later.
    noise_k : float
        Root-mean-square noise of the reading after the firmware's filter [K].
    reading_lsb_k : float
        Step of the reading: 0.0625 for a sensor of 1/16 C [K].
    window_s : float
        Window of a slow time-proportioning drive [s]; half of it counts as delay.
    fitted : int, optional
        So many of the plants, from the first, may be the one the rule is used on; the others
        only have to be robust. All of them by default.

    Raises
    ------
    NoTuning
        When a plant's reading rises with duty (beyond the duty of most cooling), or no
        setting passes.
    """
    if not plants:
        raise ValueError("tune_pi: expected at least one plant")
    for linear in plants:
        gain = steady_gain_k_per_duty(linear)
        if gain <= 0.0:
            raise NoTuning(
                f"more duty does not cool at {name_of(linear)} ({gain:.2f} K per unit duty): "
                "lower the duty limit or the voltage, smooth the current, or fit a better hot sink"
            )
    why = "no period tried"
    for period in _periods_from(period_s):
        total_s = delay_s + 0.5 * window_s
        governing = _highest_gain(plants[:fitted], total_s + 0.5 * period)
        model = first_order(plants[governing], total_s + 0.5 * period)
        loops = [_sampled(linear, period, total_s) for linear in plants]
        tau_c, lacking = _least_tau_c(model, loops, model.dead_time_s)
        decided = lacking or "the SIMC rule: no quicker than the dead time"
        caps = (
            (NOISE_DUTY_PCT / noise_k if noise_k > 0.0 else inf, "noise of the reading"),
            (STEP_DUTY_PCT / reading_lsb_k, "step of the reading"),
        )
        cap, cause = min(caps)
        kp, ti = _rule(model, tau_c, period)
        if kp > cap:
            needed = 100.0 * model.tau_s / (model.gain_k * cap) - model.dead_time_s
            tau_c, lacking = _least_tau_c(model, loops, needed)
            decided = lacking or cause
            kp, ti = _rule(model, tau_c, period)
        refusal = _refusal(kp, ti, period, reading_lsb_k)
        if refusal is not None:
            why = refusal
            continue
        if period > period_s:
            decided += f"; period lengthened to {period:g} s ({why})"
        found = tuple(loop.margins(kp, ti) for loop in loops)
        crossover = max(item.crossover_rad_per_s for item in found)
        gains = gains_at(plants, crossover)
        return PITuning(
            kp, ti, period, tau_c, model, governing, found, worst(list(found)), decided,
            noise_k * kp, tuple(gains), int(np.argmax(gains)), int(np.argmin(gains)),
        )  # fmt: skip
    raise NoTuning(f"no control period up to 60 s suits: {why}")


# Thermostat ----------------------------------------------------------------------------

LEAST_BAND_K = 0.1
BISECTIONS = 14
BAND_OVER_NOISE = 6.0  # three standard deviations each side; common practice, no source
LEAST_TIME_S, MOST_TIME_S = 60.0, 180.0  # of minimum on and off; common practice, no source


def relay_life_years(cycles_per_hour: float, life_cycles: float) -> float:
    """Return the years [a] that a contact of `life_cycles` switchings lives."""
    if cycles_per_hour <= 0.0:
        return inf
    return life_cycles / (cycles_per_hour * HOURS_PER_YEAR)


@dataclass(frozen=True)
class OnOffTuning:
    """A thermostat's setting and the cycle it should make.

    Attributes
    ----------
    hysteresis_k : float
        Full band [K].
    min_on_s, min_off_s : float
        Least times: the larger of the worked out and the stated [s].
    cycle : Cycle
        Predicted.
    relay_life_years : float
        With this cycle all year [a]; infinite without a relay.
    life_met, swing_met : bool
        Whether the wanted life and the largest swing are both kept.
    decided_by : str
        What set the band.
    switched : SwitchedPlant
        For more predictions: `switched.predict(hysteresis_k, min_on_s, min_off_s)`.
    worked_out_s : (float, float)
        Least times on and off as worked out: half of the predicted ones, 60 to 180 s [s].
    stated_s : (float or None, float or None)
        As the user states them: a floor, for a contact or a supply may ask for it [s].
    """

    hysteresis_k: float
    min_on_s: float
    min_off_s: float
    cycle: Cycle
    relay_life_years: float
    life_met: bool
    swing_met: bool
    decided_by: str
    switched: SwitchedPlant
    worked_out_s: tuple[float, float] = (LEAST_TIME_S, LEAST_TIME_S)
    stated_s: tuple[float | None, float | None] = (None, None)

    def least_time_words(self, which: int) -> str:
        """Return what decided the least time on (0) or off (1), in words."""
        stated_s, worked_s = self.stated_s[which], self.worked_out_s[which]
        key = ("controller.min_on_s", "controller.min_off_s")[which]
        if stated_s is None:
            return f"worked out, {key} is not stated"
        if stated_s >= worked_s:
            return f"{key} as stated, {stated_s:g} s; worked out it would be {worked_s:.0f} s"
        return f"worked out, {worked_s:.0f} s, as {key} states less, {stated_s:g} s"

    @property
    def least_times_words(self) -> str:
        """What decided both least times, in words."""
        on, off = self.least_time_words(0), self.least_time_words(1)
        return f"Least time on: {on}. Least time off: {off}"

    def predict(self, hysteresis_k: float) -> Cycle:
        """Return the cycle with another band [K] and the same least times."""
        return self.switched.predict(hysteresis_k, self.min_on_s, self.min_off_s)


def _worked_out_times(cycle: Cycle) -> tuple[float, float]:
    """Return half of the predicted times on and off, so that they do not set the cycle [s]."""
    on_s, off_s = (min(max(0.5 * t, LEAST_TIME_S), MOST_TIME_S) for t in (cycle.on_s, cycle.off_s))
    return on_s, off_s


def tune_on_off(
    plant: Plant,
    setpoint_reading_k: float,
    ambient_k: float,
    *,
    life_years: float = 5.0,
    life_cycles: float = inf,
    max_air_swing_k: float = 3.0,
    noise_k: float = 0.0,
    reading_lsb_k: float = 0.01,
    delay_s: float = 1.5,
    on_duty: float = 1.0,
    fans_off: tuple[float, float] | None = None,
    stated_s: tuple[float | None, float | None] = (None, None),
) -> OnOffTuning:
    """Return the smallest band whose predicted cycle spares the relay and the contents.

    Parameters
    ----------
    plant : Plant
    setpoint_reading_k, ambient_k : float
        Middle of the band, ambient [K].
    life_years, life_cycles : float
        Wanted life [a] and the switchings a contact lives; leave the latter infinite for
        a transistor.
    max_air_swing_k : float
        Largest swing of the air [K]; it comes before the relay's life.
    noise_k, reading_lsb_k : float
        Of the reading [K]: the band is at least six times the one and twice the other.
    delay_s, on_duty, fans_off
        As in `ctrl.switching_cycle.switched_plant`.
    stated_s : (float or None, float or None)
        Least times on and off that a part asks for [s]: no shorter ones are given.

    Raises
    ------
    NoTuning
        When the thermostat would be always on or always off.
    """
    try:
        switched = switched_plant(
            plant, setpoint_reading_k, ambient_k,
            delay_s=delay_s, on_duty=on_duty, fans_off=fans_off,
        )  # fmt: skip
        return _choose_band(
            switched, life_years, life_cycles, max_air_swing_k,
            max(LEAST_BAND_K, BAND_OVER_NOISE * noise_k, 2.0 * reading_lsb_k), stated_s,
        )  # fmt: skip
    except NoCycle as none:
        raise NoTuning(str(none)) from none


def _choose_band(
    switched: SwitchedPlant,
    life_years: float,
    life_cycles: float,
    max_air_swing_k: float,
    least_band_k: float,
    stated_s: tuple[float | None, float | None],
) -> OnOffTuning:
    floor_s = tuple(max(LEAST_TIME_S, item or 0.0) for item in stated_s)

    def fits(band: float) -> bool:
        try:
            return cycle_of(band).air_swing_k <= max_air_swing_k
        except NoCycle:
            return False  # wider than what on and off reach

    @cache
    def cycle_of(band: float) -> Cycle:
        return switched.predict(band, *floor_s)

    def life_of(band: float) -> float:
        return relay_life_years(cycle_of(band).cycles_per_hour, life_cycles)

    band, decided = least_band_k, "noise and step of the reading"
    if life_of(band) < life_years and fits(band):
        band, decided = _widen(band, fits, lambda b: life_of(b) >= life_years)
    cycle = cycle_of(band)
    worked_s = _worked_out_times(cycle)
    min_on_s, min_off_s = (
        max(worked, stated or 0.0) for worked, stated in zip(worked_s, stated_s, strict=True)
    )
    life = relay_life_years(cycle.cycles_per_hour, life_cycles)
    swing_met = cycle.air_swing_k <= max_air_swing_k
    return OnOffTuning(
        band, min_on_s, min_off_s, cycle, life, life >= life_years, swing_met, decided, switched,
        worked_s, stated_s,
    )  # fmt: skip


def _widen(
    band: float, fits: Callable[[float], bool], spares: Callable[[float], bool]
) -> tuple[float, str]:
    """Return (least band [K] above `band` that spares the relay or the widest that fits, why)."""
    low, high, spared = band, band, False
    while low == high:
        high *= 1.5
        spared = fits(high) and spares(high)
        if fits(high) and not spared:
            low = high
    for _ in range(BISECTIONS):
        middle = 0.5 * (low + high)
        if not fits(middle):
            high, spared = middle, False
        elif spares(middle):
            high, spared = middle, True
        else:
            low = middle
    return (high, "life of the relay") if spared else (low, "swing of the air")
