"""Measures against faults of the microcontroller itself: which are in the export.

After IEC 60730-1 Annex H, table H.11.12.7, software class B, in our own words.  A comfort
thermostat with an independent cut-out is usually class A; the list tells a maker what this
code does all the same, and what is left to the board.  It claims no conformity.
"""

from dataclasses import dataclass

from ctrl.config import Config

PRESENT, PARTLY, MAKER = "in the export", "partly", "left to you"


@dataclass(frozen=True)
class Measure:
    """One component, the fault to catch, and where the measure is."""

    component: str
    fault: str
    where: str
    measure: str


def class_b_measures(config: Config) -> tuple[Measure, ...]:
    """Return every measure, and who has it, for this cabinet's hardware."""
    sensors = 1 + sum(
        part is not None for part in (config.hot_sink_sensor, config.cold_sink_sensor)
    )
    return (
        Measure("registers, program counter", "stuck, lost", PARTLY,
                "main.c refreshes the watchdog in one place, after a whole tick; the watchdog "
                "with a clock of its own and a register test at the start are yours"),
        Measure("interrupts", "none, too many", PARTLY,
                "tick_clock.c counts late, jumping and backward ticks; a second time base to "
                "compare with is yours"),
        Measure("clock", "wrong frequency", MAKER,
                "compare the processor's clock with the watchdog's"),
        Measure("flash", "changed bit", PARTLY,
                "settings: CRC-16 at the start and 16 bytes a tick, safe state on a difference; "
                "the program itself is yours"),
        Measure("memory (RAM)", "stuck bit", MAKER,
                "march test at the start; nothing is stored twice here"),
        Measure("addressing, data path", "stuck", MAKER,
                "covered by the two above on a single chip"),
        Measure("sensor inputs, converter", "open, short, implausible", PRESENT,
                f"{sensors} of 3 sensors fitted: limits of code, fastest change, faults that "
                "latch; a reference channel to read back is yours"),
        Measure("outputs", "stuck on or off", MAKER,
                "read back the module's current or voltage; no firmware opens a switch that "
                "has failed shut"),
        Measure("serial line", "wrong data", PRESENT,
                "it only sends; nothing that comes in is listened to"),
        Measure("power", "brown-out", PARTLY,
                "after every reset the module waits for a good reading, and off is counted from "
                "there; a trip is kept in RAM, so a watchdog or brown-out reset clears it: the "
                "independent cut-out with manual reset is what stays off; switch the brown-out "
                "detector on"),
        Measure("safe state", "any of these", PRESENT,
                _safe_state(config)),
    )  # fmt: skip


def _safe_state(config: Config) -> str:
    """Return what the export does in a fault, as far as this cabinet's wiring lets it."""
    own, reads = config.hot_sink.fan_wiring == "own_switch", config.hot_sink_sensor is not None
    fan = {
        "own_switch": "hot fan on",
        "always": "the hot fan runs on, always wired",
        "with_module": "hot fan off with it (on the module's wires)",
    }[config.hot_sink.fan_wiring]
    latches = "a trip, damaged settings" if reads else "damaged settings"
    text = f"module off, {fan}, alarm; latched after {latches} and faults that come back"
    if own and reads:
        text += (
            "; the hot fan also runs whenever the hot sink reads above the start of fold-back, "
            "should the module not go off"
        )
    if not reads:
        text += "; without a sensor on the hot sink nothing trips when it gets hot"
    return text


def class_b_lines(config: Config) -> list[str]:
    """Return the measures as lines of text."""
    return [
        f"- {item.component} ({item.fault}): {item.where}; {item.measure}."
        for item in class_b_measures(config)
    ]
