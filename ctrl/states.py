"""What a run is in: states of the firmware as a record shows them, and states without sense."""

from plant import cabinet
from plant.constants import ZERO_C_K

# States of the firmware as a record shows them.
IDLE, COOLING, MELTING, DRIPPING, LOW_BATTERY, NO_READING, FAULT, TRIPPED, NO_POWER = range(9)
SUPPLY_CUT_OUT = 9
OWN_ALARM, STOPPED = 10, 11  # only with a controller from outside
STATE_WORDS = {
    IDLE: "idle",
    COOLING: "cooling",
    MELTING: "melting ice",
    DRIPPING: "dripping",
    LOW_BATTERY: "off, battery low",
    NO_READING: "waiting for a reading",
    FAULT: "off, sensor or fan fault",
    TRIPPED: "off, tripped",
    NO_POWER: "no power",
    SUPPLY_CUT_OUT: "off, supply cut out",
    OWN_ALARM: "off, its own alarm",
    STOPPED: "off, controller stopped",
}


class NotFinite(ArithmeticError):
    """A state stopped being a number or left all sense; the text names tick, state and time."""


# Words for what `cabinet.sense_of` finds wrong with a state.
SENSE_WORDS = {
    cabinet.NO_NUMBER: "is not a number",
    cabinet.OVERDRAWN: "is below nothing",
    cabinet.TOO_HOT: f"is above {cabinet.HOTTEST_K - ZERO_C_K:.0f} °C, where no module lasts",
    cabinet.TOO_COLD: f"is below {cabinet.COLDEST_K - ZERO_C_K:.0f} °C",
    cabinet.BOILING: "is hotter than boiling water",
}
