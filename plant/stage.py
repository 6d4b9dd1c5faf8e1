"""The module between its sinks and on its drive: one stage, or two stacked on each other.

Properties change along a leg.  With a, R, K taken at the mean of the two faces (a_m, R_m,
K_m; slopes a', R') the heat equation of a leg with Thomson heat T a' I dT/dx and Joule heat
I^2 R gives, to second order in the temperatures along it,

    bulge B = (I^2 R - I a' Tm dT) / (2 K)      the leg lies B/4 above a straight line at most
    R       = R_m + R' B/6                      its own mean lies B/6 above the faces'
    Qc      = a_m I Tc - I^2 R/2 - C + I a' (dT^2 + Tm B)/6 + I^2 R' dT/12
    P       = a_m I dT + I^2 R
    C       = K_m dT + K'' dT^3/24                  conducted, exact for a quadratic K

(own derivation: the flux equation times 1 - x, integrated over the leg).  The Thomson heat
is thus included.  Against a one-dimensional solution of the legs by a boundary-value solver
(`tests/test_thomson.py`; 127 couples of 6 A, 10 to 65 K, 2 to 6 A) the heat taken up is at
most 0.13 W too large (0.03 W at 278/308 K and 4 A, of 26.4 W) and the largest difference
0.2 K of 67 K.  Properties at the mean of the faces alone would give 0.1 to 1.6 W and 2.2 K
too little, constant properties at 25 °C up to 1.2 W and 0.7 K; Seebeck heat at both faces
without Thomson heat 0.3 to 6.7 W too little.

Two stages are in electrical series, the upper (cold) one with the smaller share of the
couples.  Between them the heat of the upper stage's hot side equals the lower stage's
uptake; that fixes the middle temperatures, so that they need no state of their own.  The
middle ceramic's heat capacity (about 6 J/K, settled within seconds) is left out for that.
"""

from scipy.optimize import brentq

from plant import drive as drive_part
from plant import leg_material
from plant.compiled import kernel
from plant.module import Module

# Middle temperatures are sought to this [K], in no more rounds than that.
MIDDLE_TOLERANCE_K = 1e-10
MOST_MIDDLE_ROUNDS = 60


@kernel
def properties(seebeck, resistance, conductance, varies, mean_k):
    """Return (a, R, K, slopes of a and R, K''/24) at `mean_k` [K], from those at 25 °C.

    SI units; `varies` 0 keeps them constant.
    """
    if varies == 0:
        return seebeck, resistance, conductance, 0.0, 0.0, 0.0
    by_a, by_r, by_k, slope_a, slope_r = leg_material.ratios(mean_k)
    return (
        seebeck * by_a, resistance * by_r, conductance * by_k,
        seebeck * slope_a, resistance * slope_r,
        conductance * leg_material.CONDUCTIVITY_2 / 12.0,
    )  # fmt: skip


@kernel
def leg_resistance(p, mean_a, mean_square_a2, cold_k, hot_k):
    """Return the resistance [ohm] at the temperatures that the current makes in the legs.

    `p` is what `properties` returns.  R = R_m + R' B/6, solved for R; cut at five times R_m,
    far beyond any current that cools.
    """
    _, resistance, conductance, slope_a, slope_r, _ = p
    share = slope_r / (12.0 * conductance)
    thomson_w = mean_a * slope_a * 0.5 * (cold_k + hot_k) * (hot_k - cold_k)
    return (resistance - share * thomson_w) / max(1.0 - share * mean_square_a2, 0.2)


@kernel
def uptake(p, leg_ohm, mean_a, mean_square_a2, cold_k, hot_k):
    """Return the heat taken up at the cold face [W] with a resistance of `leg_ohm`.

    `p` is what `properties` returns at the mean of the faces; `mean_a` and
    `mean_square_a2` are the means of I and I^2 over a switching period.
    """
    seebeck, _, conductance, slope_a, slope_r, bend = p
    middle_k, difference = 0.5 * (cold_k + hot_k), hot_k - cold_k
    thomson_w = mean_a * slope_a * middle_k * difference
    bulge_k = (mean_square_a2 * leg_ohm - thomson_w) / (2.0 * conductance)
    return (
        seebeck * mean_a * cold_k
        - 0.5 * leg_ohm * mean_square_a2
        - (conductance + bend * difference * difference) * difference
        + mean_a * slope_a * (difference * difference + middle_k * bulge_k) / 6.0
        + mean_square_a2 * slope_r * difference / 12.0
    )


@kernel
def extrapolated(first, second, third):
    """Return where a nearly geometric series of three ends (Aitken, textbook)."""
    bend = third - 2.0 * second + first
    if abs(bend) < 1e-13:
        return third
    return third - (third - second) * (third - second) / bend


@kernel
def single_on_drive(mod, drive, duty, cold_k, hot_k, rise_v, disconnected):
    """Return what `on_drive` does, for one stage."""
    p = properties(
        mod.seebeck_v_per_k, mod.resistance_ohm, mod.conductance_w_per_k,
        mod.temperature_dependence, 0.5 * (cold_k + hot_k),
    )  # fmt: skip
    difference = hot_k - cold_k
    leg_ohm = p[1]
    mean_a, square, terminal_w = drive_part.mean_currents(
        drive, p[0], leg_ohm, duty, difference, rise_v, disconnected
    )
    if mod.temperature_dependence != 0 and square != 0.0:
        # More resistance, less current, less heat in the legs: two rounds of that, and
        # where they lead to.
        once = leg_resistance(p, mean_a, square, cold_k, hot_k)
        mean_a, square, _ = drive_part.mean_currents(
            drive, p[0], once, duty, difference, rise_v, disconnected
        )
        twice = leg_resistance(p, mean_a, square, cold_k, hot_k)
        leg_ohm = extrapolated(p[1], once, twice)
        mean_a, square, terminal_w = drive_part.mean_currents(
            drive, p[0], leg_ohm, duty, difference, rise_v, disconnected
        )
    cooling_w = uptake(p, leg_ohm, mean_a, square, cold_k, hot_k)
    power_w = p[0] * mean_a * difference + leg_ohm * square
    return mean_a, square, terminal_w, cooling_w, power_w


@kernel
def split(seebeck, resistance, conductance, upper_share):
    """Return (a, R, K) of the upper and of the lower stage from those of the whole stack.

    The whole stack's are as seen from outside: R the sum, K both in series, a the voltage
    per kelvin with no current.  All legs are alike: a stage's a, R and K are in proportion
    to its couples.
    """
    lower_share = 1.0 - upper_share
    both = upper_share * lower_share
    a_all = seebeck / (2.0 * both)
    k_all = conductance / both
    return (
        (a_all * upper_share, resistance * upper_share, k_all * upper_share),
        (a_all * lower_share, resistance * lower_share, k_all * lower_share),
    )


def whole(
    seebeck: float, resistance: float, conductance: float, upper_share: float
) -> tuple[float, float, float]:
    """Return (a, R, K) of the stack, as `split` takes them, from those of all its couples."""
    both = upper_share * (1.0 - upper_share)
    return 2.0 * both * seebeck, resistance, both * conductance


@kernel
def middle_temperatures(up, low, from_upper_w, from_lower_w, joint, mean_a):
    """Return (upper stage's hot side, lower stage's cold side) [K] with heat out = heat in.

    a1 I T1 - K1 T1 + u = G (T1 - T2) = a2 I T2 + K2 T2 - l: what does not depend on the
    two, u and l, is given; G is the joint's conductance.  Two linear equations.
    """
    own_1, own_2 = up[2] - up[0] * mean_a, low[2] + low[0] * mean_a
    diagonal_1, diagonal_2 = own_1 + joint, own_2 + joint
    determinant = own_1 * own_2 + joint * (own_1 + own_2)
    return (
        (from_upper_w * diagonal_2 + joint * from_lower_w) / determinant,
        (from_lower_w * diagonal_1 + joint * from_upper_w) / determinant,
    )


@kernel
def warm_resistance(
    up, low, drive, duty, rise_v, disconnected, volts, cold_k, upper_k, lower_k, hot_k
):
    """Return the resistance of both stages [ohm] as the drive's own current warms them."""
    cool = up[1] + low[1]
    mean_a, square, _ = drive_part.mean_currents(
        drive, volts, cool, duty, 1.0, rise_v, disconnected
    )
    if square == 0.0:
        return cool  # no current, no warmth
    once = leg_resistance(up, mean_a, square, cold_k, upper_k) + leg_resistance(
        low, mean_a, square, lower_k, hot_k
    )
    mean_a, square, _ = drive_part.mean_currents(
        drive, volts, once, duty, 1.0, rise_v, disconnected
    )
    twice = leg_resistance(up, mean_a, square, cold_k, upper_k) + leg_resistance(
        low, mean_a, square, lower_k, hot_k
    )
    return extrapolated(cool, once, twice)


@kernel
def two_stages(
    seebeck, resistance, conductance, varies, upper_share, joint,
    drive, duty, rise_v, disconnected, given_a, cold_k, hot_k,
):  # fmt: skip
    """Return (mean I, mean I^2, terminal power, cooling, power) of two stages [A, A^2, W].

    `drive` None: the current is `given_a`, steady, and no drive is asked.
    Middle temperatures by fixed-point rounds, each extrapolated by a secant through the
    last two (Anderson mixing of depth 1, textbook).
    """
    above, below = split(seebeck, resistance, conductance, upper_share)
    upper_k = lower_k = 0.5 * (cold_k + hot_k)
    mean_a, square, terminal_w = given_a, given_a * given_a, 0.0
    cooling_w, power_w = 0.0, 0.0
    former_upper_k, former_lower_k, former_1, former_2 = 0.0, 0.0, 0.0, 0.0
    for taken in range(MOST_MIDDLE_ROUNDS):
        up = properties(above[0], above[1], above[2], varies, 0.5 * (cold_k + upper_k))
        low = properties(below[0], below[1], below[2], varies, 0.5 * (lower_k + hot_k))
        volts = up[0] * (upper_k - cold_k) + low[0] * (hot_k - lower_k)
        if drive is None:
            low_ohm = leg_resistance(low, mean_a, square, lower_k, hot_k)
            up_ohm = leg_resistance(up, mean_a, square, cold_k, upper_k)
        else:
            ohm = up[1] + low[1]
            if varies != 0 and taken > 0:  # the middle is a guess at first
                ohm = warm_resistance(
                    up, low, drive, duty, rise_v, disconnected,
                    volts, cold_k, upper_k, lower_k, hot_k,
                )  # fmt: skip
            mean_a, square, terminal_w = drive_part.mean_currents(
                drive, volts, ohm, duty, 1.0, rise_v, disconnected
            )
            up_ohm = leg_resistance(up, mean_a, square, cold_k, upper_k)
            low_ohm = ohm - up_ohm
        cooling_w = uptake(up, up_ohm, mean_a, square, cold_k, upper_k)
        power_w = mean_a * volts + square * (up_ohm + low_ohm)
        given_off_w = (
            cooling_w + up[0] * mean_a * (upper_k - cold_k) + up_ohm * square
        )  # by the upper stage, at upper_k
        taken_up_w = uptake(low, low_ohm, mean_a, square, lower_k, hot_k)
        next_upper_k, next_lower_k = middle_temperatures(
            up, low,
            given_off_w - (up[0] * mean_a - up[2]) * upper_k,
            (low[0] * mean_a + low[2]) * lower_k - taken_up_w,
            joint, mean_a,
        )  # fmt: skip
        miss_1, miss_2 = next_upper_k - upper_k, next_lower_k - lower_k
        if taken > 0 and abs(miss_1) + abs(miss_2) < MIDDLE_TOLERANCE_K:
            break
        change_1, change_2 = miss_1 - former_1, miss_2 - former_2
        size = change_1 * change_1 + change_2 * change_2
        share = 0.0
        if taken > 0 and size > 0.0:
            share = (miss_1 * change_1 + miss_2 * change_2) / size
            share = min(max(share, -1.0), 1.0)
        upper_k = next_upper_k - share * (next_upper_k - former_upper_k)
        lower_k = next_lower_k - share * (next_lower_k - former_lower_k)
        former_upper_k, former_lower_k, former_1, former_2 = (
            next_upper_k, next_lower_k, miss_1, miss_2,
        )  # fmt: skip
    return mean_a, square, terminal_w, cooling_w, power_w


@kernel
def on_drive(mod, drive, duty, cold_k, hot_k, rise_v=0.0, disconnected=0.0):
    """Return what drive and module settle on between two faces.

    Parameters
    ----------
    mod, drive : records of `plant.module.Module` and `plant.drive.Drive`
    duty : float
        0 to 1.
    cold_k, hot_k : float
        The outer faces [K].
    rise_v, disconnected : float
        As in `plant.drive.mean_currents`.

    Returns
    -------
    mean_a, mean_square_a2 : float
        Means of I and I^2 [A, A^2].
    terminal_w : float
        Power from the supply's terminals [W].
    cooling_w, power_w : float
        Heat taken up at the cold face, electrical power of the module [W]; the hot face
        gives off their sum.
    """
    if mod.stages == 1:
        return single_on_drive(mod, drive, duty, cold_k, hot_k, rise_v, disconnected)
    return two_stages(
        mod.seebeck_v_per_k, mod.resistance_ohm, mod.conductance_w_per_k,
        mod.temperature_dependence, mod.upper_share, mod.middle_contact_w_per_k,
        drive, duty, rise_v, disconnected, 0.0, cold_k, hot_k,
    )  # fmt: skip


@kernel
def at_rest(mod, cold_k, hot_k):
    """Return (a, R) [V/K, ohm] that the terminals show before a current has warmed the legs.

    What a supply's protection meets in the first instant.  Of two stages each is taken at
    the mean of the outer faces.
    """
    p = properties(
        mod.seebeck_v_per_k, mod.resistance_ohm, mod.conductance_w_per_k,
        mod.temperature_dependence, 0.5 * (cold_k + hot_k),
    )  # fmt: skip
    return p[0], p[1]


@kernel
def at_current(
    seebeck, resistance, conductance, varies, stages, upper_share, joint, current_a, cold_k, hot_k
):
    """Return (heat taken up [W], electrical power [W]) at a steady current [A].

    Parameters
    ----------
    seebeck, resistance, conductance : float
        Of the whole module or stack, at 25 °C if they vary [V/K, ohm, W/K].
    varies, stages : int
        As in `plant.module.Module`.
    upper_share, joint : float
        Share of the couples in the upper stage [-], joint between the stages [W/K].
    current_a : float
        Current [A].
    cold_k, hot_k : float
        The outer faces [K].
    """
    if stages == 1:
        p = properties(seebeck, resistance, conductance, varies, 0.5 * (cold_k + hot_k))
        square = current_a * current_a
        leg_ohm = leg_resistance(p, current_a, square, cold_k, hot_k)
        power_w = p[0] * current_a * (hot_k - cold_k) + leg_ohm * square
        return uptake(p, leg_ohm, current_a, square, cold_k, hot_k), power_w
    _, _, _, cooling_w, power_w = two_stages(
        seebeck, resistance, conductance, varies, upper_share, joint,
        None, 0.0, 0.0, 0.0, current_a, cold_k, hot_k,
    )  # fmt: skip
    return cooling_w, power_w


def with_current(mod: Module, current_a: float, cold_k: float, hot_k: float) -> tuple[float, float]:
    """Return (heat taken up, electrical power) [W] of a module at a steady current [A]."""
    cooling_w, power_w = at_current(
        mod.seebeck_v_per_k, mod.resistance_ohm, mod.conductance_w_per_k,
        mod.temperature_dependence, mod.stages, mod.upper_share,
        mod.middle_contact_w_per_k, current_a, cold_k, hot_k,
    )  # fmt: skip
    return float(cooling_w), float(power_w)


def hold_current_a(mod: Module, cold_k: float, hot_k: float) -> float:
    """Return the steady current [A] at which the module just takes up no heat.

    Parameters
    ----------
    mod : Module
    cold_k, hot_k : float
        The outer faces [K].

    Sought around the closed form of constant properties (`plant.drive.hold_current_for_a`),
    which is returned where no current cancels the conduction.
    """

    def taken_up_w(current_a: float) -> float:
        return with_current(mod, current_a, cold_k, hot_k)[0]

    closed_a = drive_part.hold_current_for_a(
        mod.seebeck_v_per_k, mod.resistance_ohm, mod.conductance_w_per_k, cold_k, hot_k
    )
    if closed_a <= 0.0 or taken_up_w(1.5 * closed_a) <= 0.0:
        return closed_a
    return float(brentq(taken_up_w, 0.0, 1.5 * closed_a))
