"""The drive: supply, wiring, switch, and what current a duty makes.

Each drive states its map from duty to the mean of I and the mean of I^2, the two
means the module's heat flows need.  Fast PWM and a relay pay the full on-current's
Joule heat for the time it is on; a smoothed current does not.  The averaged forms
hold above about 100 Hz, where a ceramic face moves less than 0.03 K in a period.
"""

from dataclasses import dataclass
from math import log, sqrt

from plant.compiled import kernel

RELAY, FAST_PWM, SMOOTHED, CURRENT = 0, 1, 2, 3
DRIVE_KINDS = {"relay": RELAY, "fast_pwm": FAST_PWM, "smoothed": SMOOTHED, "current": CURRENT}


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
        Resistance of the wires there and back, and of the closed switch [ohm].
    converter_efficiency : float
        Output over input power of the smoothing converter [-]; 1 without one.
    ripple : float
        Root-mean-square ripple over mean of a smoothed current [-].
    set_current_a : float
        Current at duty 1 of a current-regulated drive [A].
    supply_efficiency : float
        Output over input power of the supply, from the plug on [-].
    standby_w : float
        Power the supply and controller draw at the plug with everything off [W].
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


@kernel
def limited_current(seebeck_voltage, loop_ohm, power_limit_w):
    """Return the current [A] that draws `power_limit_w` from a converter.

    Positive root of R I^2 + e I = P, e the module's Seebeck voltage.
    """
    return (sqrt(seebeck_voltage**2 + 4.0 * loop_ohm * power_limit_w) - seebeck_voltage) / (
        2.0 * loop_ohm
    )


@kernel
def mean_currents(drive, seebeck, resistance, duty, difference_k):
    """Return (mean I [A], mean I^2 [A^2], power from the supply's terminals [W]).

    Parameters
    ----------
    drive : record of `Drive`
    seebeck, resistance : float
        Of the module [V/K, ohm].
    duty : float
        0 to 1.  0 is an open circuit: the module conducts heat but no current.
    difference_k : float
        Hot face less cold face [K]; its Seebeck voltage opposes the supply's.
    """
    if duty <= 0.0:
        return 0.0, 0.0, 0.0
    seebeck_voltage = seebeck * difference_k
    loop_ohm = resistance + drive.wire_ohm + drive.switch_ohm
    if drive.kind == RELAY or drive.kind == FAST_PWM:
        on_a = (drive.supply_v - seebeck_voltage) / (loop_ohm + drive.source_ohm)
        on_a = min(max(on_a, 0.0), drive.current_limit_a)
        terminal_v = drive.supply_v - on_a * drive.source_ohm
        return duty * on_a, duty * on_a * on_a, duty * on_a * terminal_v
    if drive.kind == SMOOTHED:
        # A non-synchronous converter: its diode blocks what would flow back.
        mean_a = max((duty * drive.supply_v - seebeck_voltage) / loop_ohm, 0.0)
    else:
        mean_a = min(
            duty * drive.set_current_a,
            max((drive.supply_v - seebeck_voltage) / (loop_ohm + drive.source_ohm), 0.0),
        )
    power_limit_w = drive.current_limit_a * drive.supply_v * drive.converter_efficiency
    mean_a = min(mean_a, limited_current(seebeck_voltage, loop_ohm, power_limit_w))
    mean_square = mean_a * mean_a * (1.0 + drive.ripple * drive.ripple)
    output_w = mean_a * seebeck_voltage + loop_ohm * mean_square
    return mean_a, mean_square, output_w / drive.converter_efficiency


@kernel
def plug_power(drive, terminal_w):
    """Return the power at the mains plug or battery terminals [W] for a load at the supply."""
    return drive.standby_w + terminal_w / drive.supply_efficiency


def wire_resistance_ohm(length_m: float, area_mm2: float) -> float:
    """Return the resistance there and back [ohm] of copper wire at 20 °C.

    1.724e-8 ohm m, the international annealed copper standard (IEC 60028, from memory).
    """
    return 2.0 * length_m * 1.724e-8 / (area_mm2 * 1e-6)


def highest_current_a(drive: Drive, resistance_ohm: float, highest_supply_v: float) -> float:
    """Return the largest current the wires can see [A]: no difference, highest voltage, full on."""
    loop = resistance_ohm + drive.wire_ohm + drive.switch_ohm
    if drive.kind in (RELAY, FAST_PWM):
        return min(highest_supply_v / (loop + drive.source_ohm), drive.current_limit_a)
    # A converter trades voltage for current: the supply limits its power, not its output.
    power_limit_w = drive.current_limit_a * highest_supply_v * drive.converter_efficiency
    limit_a = limited_current(0.0, loop, power_limit_w)
    if drive.kind == SMOOTHED:
        return min(highest_supply_v / loop, limit_a)
    return min(drive.set_current_a, highest_supply_v / (loop + drive.source_ohm), limit_a)


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
