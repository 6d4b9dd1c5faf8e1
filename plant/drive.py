"""The drive: supply, wiring, switch, and what current a duty makes.

Each drive states its map from duty to the mean of I and the mean of I^2, the two
means the module's heat flows need.  Fast PWM and a relay pay the full on-current's
Joule heat for the time it is on; a smoothed current does not.  The averaged forms
hold above about 100 Hz, where a ceramic face moves less than 0.03 K in a period.

A module that is off still conducts heat, K dT.  What the drive makes of it then is the
off mode: an open circuit adds nothing; a short circuit lets the module's own voltage
drive I = -a dT/R, and it conducts (1 + Z Tm) times as much; a small hold current cancels
the conduction; a reversed one adds to it.
"""

from dataclasses import dataclass
from math import log, sqrt

from plant.compiled import kernel

RELAY, FAST_PWM, SMOOTHED, CURRENT = 0, 1, 2, 3
# A slow window is a relay to the physics: what makes it a window is in the firmware.
DRIVE_KINDS = {
    "relay": RELAY,
    "fast_pwm": FAST_PWM,
    "smoothed": SMOOTHED,
    "current": CURRENT,
    "slow_window": RELAY,
}

OFF_OPEN, OFF_SHORTED, OFF_HOLD, OFF_REVERSED = 0, 1, 2, 3
OFF_MODES = {
    "open": OFF_OPEN,
    "shorted": OFF_SHORTED,
    "hold": OFF_HOLD,
    "reversed": OFF_REVERSED,
}

CONSTANT_CURRENT, HICCUP, LATCH_OFF = 0, 1, 2
SUPPLY_PROTECTIONS = {
    "constant_current": CONSTANT_CURRENT,
    "hiccup": HICCUP,
    "latch_off": LATCH_OFF,
}
NO_LIMIT_A = 1e6  # stands for a supply that gives whatever is asked
NEWTON_STEPS = 12  # they settle in four to six
SWITCH_SOUND = 2.0  # `stuck_duty` of a switch that does as it is told


@dataclass(frozen=True)
class Drive:
    """Supply, wire, switch and converter.

    Parameters
    ----------
    kind : int
        One of `DRIVE_KINDS`.
    supply_v : float
        Supply voltage with no load [V].
    current_limit_a : float
        Current at which the supply holds its current constant [A].
    source_ohm : float
        Resistance behind the supply's terminals [ohm] (a battery's own).
    wire_ohm, switch_ohm : float
        Resistance of the wires there and back with their contacts, and of the closed
        switch [ohm].
    converter_efficiency : float
        Output over input power of the smoothing converter [-], less the losses of the
        curve below; 1 without one.
    ripple : float
        Root-mean-square ripple over mean of a smoothed current [-].
    set_current_a : float
        Current at duty 1 of a current-regulated drive [A].
    supply_efficiency : float
        Output over input power of the supply, from the plug on [-], less the losses of
        the curve below.
    standby_w : float
        Power the supply and controller draw at the plug with everything off, the supply's
        fixed loss with it [W].
    off_mode : int
        One of `OFF_MODES`: what the module's terminals see while the drive is off.
    hold_current_a : float
        Size of the current held, or reversed, while off [A].
    converter_fixed_w, converter_loss_per_w : float
        Loss at no output [W], and share lost per watt of output [1/W]:
        P_in = P0 + P/eff + r P^2.
    supply_loss_per_w : float
        The same r of the supply [1/W].
    protection : int
        One of `SUPPLY_PROTECTIONS`: what the supply does above `current_limit_a`.
    hiccup_s : float
        Pause of a hiccup before it tries again [s].
    charging_rise_v : float
        By how much a charging battery stands above `supply_v` [V].
    charging_from_h, charging_to_h : float
        Hours of the day of charging, past midnight too; equal for never [h].
    stuck_duty : float
        Duty of a failed switch whatever it is told, 1 stuck on, 0 an open circuit;
        `SWITCH_SOUND` for one that obeys.  Only a running loop asks for it.
    """

    kind: int
    supply_v: float
    current_limit_a: float
    source_ohm: float
    wire_ohm: float
    switch_ohm: float
    converter_efficiency: float
    ripple: float
    set_current_a: float
    supply_efficiency: float
    standby_w: float
    off_mode: int = OFF_OPEN
    hold_current_a: float = 0.0
    converter_fixed_w: float = 0.0
    converter_loss_per_w: float = 0.0
    supply_loss_per_w: float = 0.0
    protection: int = CONSTANT_CURRENT
    hiccup_s: float = 2.0
    charging_rise_v: float = 0.0
    charging_from_h: float = 0.0
    charging_to_h: float = 0.0
    stuck_duty: float = SWITCH_SOUND


@kernel
def limited_current(seebeck_voltage, loop_ohm, power_limit_w):
    """Return the current [A] that draws `power_limit_w` from a converter.

    Positive root of R I^2 + e I = P, e the module's Seebeck voltage; a ripple makes R
    larger by (1 + ripple^2).
    """
    return (sqrt(seebeck_voltage**2 + 4.0 * loop_ohm * power_limit_w) - seebeck_voltage) / (
        2.0 * loop_ohm
    )


@kernel
def converter_input_w(drive, output_w):
    """Return the power into the converter [W] for a power out of it: P0 + P/eff + r P^2.

    Switching and control take a fixed part, the resistances one with the square.  What a
    module gives back is not credited.
    """
    asked_w = output_w / drive.converter_efficiency
    asked_w += drive.converter_fixed_w + drive.converter_loss_per_w * output_w * output_w
    return max(asked_w, 0.0)


@kernel
def converter_output_w(drive, input_w):
    """Return the power out of the converter [W] for a power into it: the curve turned round."""
    left_w = max(input_w - drive.converter_fixed_w, 0.0)
    if drive.converter_loss_per_w <= 0.0:
        return left_w * drive.converter_efficiency
    linear = 1.0 / drive.converter_efficiency
    curve = drive.converter_loss_per_w
    return (sqrt(linear * linear + 4.0 * curve * left_w) - linear) / (2.0 * curve)


@kernel
def off_current(drive, seebeck_voltage, module_loop_ohm, supply_v, disconnected):
    """Return the module's current [A] while the drive is off.

    A short is made at the drive: the module's own voltage sends it round module, wires and
    switch.  A hold or reversed current is at most what the supply's voltage sends through.
    `disconnected` above 0 is an open circuit in every mode (no power, or firmware that cuts
    the hold current).
    """
    if disconnected > 0.0 or drive.off_mode == OFF_OPEN:
        return 0.0
    if drive.off_mode == OFF_SHORTED:
        return -seebeck_voltage / module_loop_ohm
    whole_ohm = module_loop_ohm + drive.source_ohm
    if drive.off_mode == OFF_HOLD:
        return min(drive.hold_current_a, max((supply_v - seebeck_voltage) / whole_ohm, 0.0))
    return -min(drive.hold_current_a, max((supply_v + seebeck_voltage) / whole_ohm, 0.0))


@kernel
def terminal_voltage_of(source_ohm, no_load_v, power_w):
    """Return what `terminal_voltage` does, from the voltage with no load [V]."""
    under_root = no_load_v * no_load_v - 4.0 * source_ohm * power_w
    return 0.5 * (no_load_v + sqrt(max(under_root, 0.0)))


@kernel
def most_input_w(drive, supply_v, limit_a):
    """Return the most a converter can draw [W]: at the supply's limit, or at V^2/4r."""
    source_ohm = drive.source_ohm
    if source_ohm * 2.0 * limit_a >= supply_v:
        return supply_v * supply_v / (4.0 * source_ohm)
    return limit_a * (supply_v - limit_a * source_ohm)


@kernel
def sagged_current(drive, seebeck_voltage, loop_ohm, duty, supply_v, drawn_a):
    """Return the current [A] at the input voltage that is left while `drawn_a` [A] flows."""
    load_ohm = loop_ohm * (1.0 + drive.ripple * drive.ripple)
    input_w = converter_input_w(drive, drawn_a * (seebeck_voltage + load_ohm * drawn_a))
    input_v = terminal_voltage_of(drive.source_ohm, supply_v, input_w)
    return (duty * input_v - seebeck_voltage) / loop_ohm


@kernel
def smoothed_current(drive, seebeck_voltage, loop_ohm, duty, supply_v):
    """Return the mean current [A] of a converter that gives `duty` of its input voltage.

    The input sags behind the supply's own resistance by what the output draws: a fixed
    point, by two Steffensen steps (textbook; within 1e-6 of it for a battery's milliohms).
    """
    start_a = (duty * supply_v - seebeck_voltage) / loop_ohm
    if drive.source_ohm <= 0.0:
        return start_a
    for _ in range(2):
        once_a = sagged_current(drive, seebeck_voltage, loop_ohm, duty, supply_v, start_a)
        twice_a = sagged_current(drive, seebeck_voltage, loop_ohm, duty, supply_v, once_a)
        bend = twice_a - 2.0 * once_a + start_a
        if abs(bend) < 1e-13:
            return twice_a
        start_a = twice_a - (twice_a - once_a) * (twice_a - once_a) / bend
    return start_a


@kernel
def held_current(drive, seebeck_voltage, loop_ohm, duty, limit_a, start_a):
    """Return the current [A] of a converter at `duty` on a supply that gives `limit_a` [A].

    `start_a` is what flows where the limit does not bind; it is returned where it need not.
    Beyond it the supply holds its current, so its voltage falls to what the converter asks for
    at that duty, V = (e + R I)/D, and what it then gives is what the converter draws:
    V I_in = P/eff + P0 + r P^2, with the output P.  What is left over is concave in I and below
    nought at `start_a`: Newton's steps come down to the upper root and never pass it.  Where
    there is none the supply cannot feed the converter at any voltage: no current.
    """
    load_ohm = loop_ohm * (1.0 + drive.ripple * drive.ripple)
    held_a = start_a
    for _ in range(NEWTON_STEPS):
        if held_a <= 0.0:
            return min(start_a, 0.0)
        output_w = held_a * (seebeck_voltage + load_ohm * held_a)
        given_w = limit_a * (seebeck_voltage + loop_ohm * held_a) / duty
        left_w = given_w - converter_input_w(drive, output_w)
        if left_w >= 0.0:
            return held_a
        input_slope = 1.0 / drive.converter_efficiency + 2.0 * drive.converter_loss_per_w * output_w
        slope = limit_a * loop_ohm / duty - input_slope * (
            seebeck_voltage + 2.0 * load_ohm * held_a
        )
        if slope >= 0.0:
            return 0.0
        step_a = left_w / slope
        held_a -= step_a
        if step_a < 1e-12 * held_a:
            return held_a
    return held_a


@kernel
def currents_within(
    drive, seebeck, resistance, duty, difference_k, rise_v, disconnected, limit_a
):  # fmt: skip
    """Return what `mean_currents` does, at a supply that gives at most `limit_a` [A]."""
    # A bridge swaps the module's leads: the drive then sees its voltage the other way round.
    way = -1.0 if duty < 0.0 else 1.0
    duty = way * duty
    seebeck_voltage = way * seebeck * difference_k
    loop_ohm = resistance + drive.wire_ohm + drive.switch_ohm
    supply_v = drive.supply_v + rise_v
    off_a = off_current(drive, seebeck_voltage, loop_ohm, supply_v, disconnected)
    holds = drive.off_mode == OFF_HOLD or drive.off_mode == OFF_REVERSED
    if drive.kind == RELAY or drive.kind == FAST_PWM:
        on_a = 0.0
        if duty > 0.0:
            on_a = (supply_v - seebeck_voltage) / (loop_ohm + drive.source_ohm)
            on_a = min(max(on_a, 0.0), limit_a)
        # A supply that holds its current gives the voltage that the current needs, not more.
        on_v = min(supply_v - on_a * drive.source_ohm, seebeck_voltage + on_a * loop_ohm)
        power_w = duty * on_a * max(on_v, 0.0)
        off = 1.0 - duty
        if holds:  # through a resistor across the switch: it takes the whole voltage
            held_a = abs(off_a)
            power_w += off * held_a * (supply_v - held_a * drive.source_ohm)
        mean_a = way * (duty * on_a + off * off_a)
        return mean_a, duty * on_a * on_a + off * off_a * off_a, power_w
    if duty <= 0.0:
        power_w = 0.0
        if holds and off_a != 0.0:
            power_w = converter_input_w(drive, off_a * (seebeck_voltage + loop_ohm * off_a))
        return off_a, off_a * off_a, power_w
    if drive.kind == SMOOTHED:
        mean_a = held_current(
            drive, seebeck_voltage, loop_ohm, duty, limit_a,
            smoothed_current(drive, seebeck_voltage, loop_ohm, duty, supply_v),
        )  # fmt: skip
    else:
        mean_a = min(
            duty * drive.set_current_a,
            max((supply_v - seebeck_voltage) / (loop_ohm + drive.source_ohm), 0.0),
        )
    if drive.off_mode == OFF_HOLD:
        mean_a = max(mean_a, off_a)  # a floor, so that little duty does not hold less than none
    elif drive.off_mode != OFF_SHORTED:
        # A non-synchronous converter: its diode blocks what would flow back. A synchronous
        # one shorts the module when off, and lets its current run backwards at little duty.
        mean_a = max(mean_a, 0.0)
    most_w = converter_output_w(drive, most_input_w(drive, supply_v, limit_a))
    load_ohm = loop_ohm * (1.0 + drive.ripple * drive.ripple)
    mean_a = min(mean_a, limited_current(seebeck_voltage, load_ohm, most_w))
    mean_square = mean_a * mean_a * (1.0 + drive.ripple * drive.ripple)
    output_w = mean_a * seebeck_voltage + loop_ohm * mean_square
    return way * mean_a, mean_square, converter_input_w(drive, output_w)


@kernel
def mean_currents(drive, seebeck, resistance, duty, difference_k, rise_v=0.0, disconnected=0.0):
    """Return (mean I [A], mean I^2 [A^2], power from the supply's terminals [W]).

    Parameters
    ----------
    drive : record of `Drive`
    seebeck, resistance : float
        Of the module [V/K, ohm].
    duty : float
        0 to 1.  0 is off: the module carries what the off mode lets it.  A relay's duty in
        between is the share of the time that it is closed, the off mode has the rest.
        Below 0, to -1, the same through a bridge that swaps the module's leads.
    difference_k : float
        Hot face less cold face [K]; its Seebeck voltage opposes the supply's.
    rise_v : float
        Supply above its usual voltage, as a battery on charge [V].
    disconnected : float
        Above 0 the off mode is an open circuit, whatever the drive's.
    """
    return currents_within(
        drive, seebeck, resistance, duty, difference_k, rise_v, disconnected,
        drive.current_limit_a,
    )  # fmt: skip


@kernel
def wanted_supply_a(drive, seebeck, resistance, duty, difference_k, rise_v, fans_w):
    """Return the current asked of the supply [A], were it to give whatever is asked.

    The peak of pulses, the input of a converter, the fans with either: what a supply's
    protection sees.
    """
    supply_v = drive.supply_v + rise_v
    switched = drive.kind == RELAY or drive.kind == FAST_PWM
    seen = duty
    if switched and duty != 0.0:
        seen = 1.0 if duty > 0.0 else -1.0
    mean_a, _, power_w = currents_within(
        drive, seebeck, resistance, seen, difference_k, rise_v, 0.0, NO_LIMIT_A
    )
    if switched and duty != 0.0:
        return abs(mean_a) + fans_w / supply_v
    return (power_w + fans_w) / supply_v


@kernel
def terminal_voltage(drive, rise_v, power_w):
    """Return the voltage at the supply's terminals [V] while it gives `power_w` [W].

    Root of I (V0 - I r) = P, V = V0 - I r; half of V0 where P is beyond what r lets through.
    """
    return terminal_voltage_of(drive.source_ohm, drive.supply_v + rise_v, power_w)


@kernel
def charging_rise(drive, time_s):
    """Return by how much the supply stands above its usual voltage [V] at a time of day."""
    start, end = drive.charging_from_h, drive.charging_to_h
    if start == end or drive.charging_rise_v == 0.0:
        return 0.0
    hour = (time_s / 3600.0) % 24.0
    inside = start <= hour < end if start < end else (hour >= start or hour < end)
    return drive.charging_rise_v if inside else 0.0


@kernel
def plug_power(drive, terminal_w):
    """Return the power at the mains plug or battery terminals [W] for a load at the supply."""
    return (
        drive.standby_w
        + terminal_w / drive.supply_efficiency
        + drive.supply_loss_per_w * terminal_w * terminal_w
    )


def loss_curve(efficiency: float, full_load_w: float | None, fixed_w: float) -> tuple[float, float]:
    """Return (efficiency, r [1/W]) of P_in = P0 + P/efficiency + r P^2.

    Parameters
    ----------
    efficiency : float
        Output over input power at `full_load_w`, or at every load when that is None [-].
    full_load_w : float or None
        Power out at which the efficiency is stated [W].
    fixed_w : float
        P0, the part of the loss that is there at no load [W]; what is left of the loss at
        full load goes with the square of the power (resistances at a constant voltage).
    """
    if full_load_w is None:
        return efficiency, 0.0
    loss_w = full_load_w * (1.0 / efficiency - 1.0)
    return 1.0, max(loss_w - fixed_w, 0.0) / full_load_w**2


def hold_current_for_a(
    seebeck: float, resistance: float, conductance: float, cold_k: float, hot_k: float
) -> float:
    """Return the current [A] at which the module just takes up no heat at its cold face.

    Smaller root of a I Tc - R I^2/2 = K (Th - Tc), about K dT/(a Tc); 0 where the hot face
    is the colder, and the current of most cooling where no current can cancel it.
    """
    back_w = conductance * max(hot_k - cold_k, 0.0)
    drive_v = seebeck * cold_k
    under_root = drive_v**2 - 2.0 * resistance * back_w
    return (drive_v - sqrt(max(under_root, 0.0))) / resistance


def wire_resistance_ohm(length_m: float, area_mm2: float) -> float:
    """Return the resistance there and back [ohm] of copper wire at 20 °C.

    1.724e-8 ohm m, the international annealed copper standard (IEC 60028, from memory).
    """
    return 2.0 * length_m * 1.724e-8 / (area_mm2 * 1e-6)


def wire_ampacity_a(area_mm2: float) -> float:
    """Return the practical continuous current of a single wire in free air [A].

    Power law through two practical rows of a wiring supplier's table: 8 A at 0.82 mm2 and
    15 A at 2.08 mm2.  Local codes and bundling ask for less; they come first.
    """
    return 8.0 * (area_mm2 / 0.82) ** (log(15.0 / 8.0) / log(2.08 / 0.82))


# Standard ratings of blade fuses [A] (automotive series, from memory).
FUSE_RATINGS_A = (1.0, 2.0, 3.0, 5.0, 7.5, 10.0, 15.0, 20.0, 25.0, 30.0, 40.0)


def fuse_for_a(current_a: float) -> float | None:
    """Return the next standard fuse above 1.25 times a continuous current [A], or None.

    The 1.25 is the rule of a wiring supplier's page; the fuse protects the wire.
    """
    return next((rating for rating in FUSE_RATINGS_A if rating >= 1.25 * current_a), None)
