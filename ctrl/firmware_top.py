"""What an export says before its code: wiring assumed, cautions, how to build it."""

from collections.abc import Sequence

from ctrl.config import Config
from ctrl.config_drive import FittedSensor
from ctrl.firmware import Firmware
from ctrl.firmware_layout import LAW_NAMES
from ctrl.firmware_text import wrapped
from ctrl.microcontroller import AVR_SIZE
from ctrl.readings import SensorSettings
from ctrl.thermistor_fit import thermistor_cautions

CAUTIONS = (
    "- Ten amperes of direct current in thin wire start fires. Put a fuse at the supply's end "
    "of the wire, sized for the wire.",
    "- No limit in here is a safety device: a switch that fails shut obeys no firmware. Fit a "
    "thermal cut-out of its own on the hot sink, in the module's wire, and one against cold in "
    "the cabinet where freezing does harm. Take one with manual reset: a trip in here lies in RAM, "
    "and any reset (power, watchdog, brown-out) clears it.",
    "- The hot sink burns skin when its fan stops. EPS foam softens: keep it below 66 deg C.",
    "- Food that spoils is kept at 5 deg C or colder. Never medicines.",
    "- Try it first with the module unplugged: warm and cool the sensors by hand, pull each one "
    "off, and watch the status line.",
)

FAN_WIRING = {
    "with_module": "on the module's wires; the firmware has no say in it",
    "always": "always on; the firmware has no say in it",
    "own_switch": "a switch of its own, set by hardware_set_fans",
}


def _sensor_line(name: str, part: FittedSensor | None, settings: SensorSettings) -> str:
    if part is None:
        return f"- {name}: none."
    if part.kind == "digital":
        return f"- {name}: digital, signed steps of 1/16 deg C; hand over the code as it comes."
    way = "falls" if settings.table[0] > settings.table[-1] else "rises"
    return (
        f"- {name}: thermistor of {part.r25_ohm:g} ohm at 25 deg C, beta {part.beta_k:g} K, to "
        f"ground; {part.divider_ohm:g} ohm to the converter's reference; {part.adc_bits} bits; "
        f"the code {way} as it gets warmer."
    )


def _drive_line(config: Config, firmware: Firmware) -> str:
    if config.drive.kind == "relay" or firmware.protection.window.window_ticks > 0:
        return f"- Module: {config.drive.kind}; use module_on and leave duty_permille alone."
    if firmware.protection.switch_only:
        return f"- Module: {config.drive.kind}, only on or off; use module_on."
    extra = ""
    if config.drive.kind == "fast_pwm":
        extra = f" at {config.drive.frequency_hz:g} Hz"
    return f"- Module: {config.drive.kind}{extra}; use duty_permille."


def wiring_lines(config: Config, firmware: Firmware) -> list[str]:
    """Return what the code takes for granted about the wiring."""
    guard = firmware.protection
    lines = [
        _sensor_line("Control sensor", config.sensor, guard.control),
        _sensor_line("Hot-sink sensor", config.hot_sink_sensor, guard.hot),
        _sensor_line("Cold-sink sensor", config.cold_sink_sensor, guard.cold),
        _drive_line(config, firmware),
    ]
    if config.ambient_sensor is not None:
        room = firmware.law.options.ambient if hasattr(firmware.law, "options") else guard.control
        lines.append(_sensor_line("Sensor of the room", config.ambient_sensor, room))
    setpoint_c100 = getattr(firmware.law, "setpoint_c100", None)
    held_c = None if setpoint_c100 is None else 0.01 * setpoint_c100
    doubts = thermistor_cautions(config, held_c)
    lines += [f"- {text.replace('°C', 'deg C')}" for text in doubts]
    for name, wiring in (
        ("Hot", config.hot_sink.fan_wiring),
        ("Cold", config.cold_sink.fan_wiring),
    ):
        lines.append(f"- {name} fan: {FAN_WIRING[wiring]}.")
    fans = (("hot", guard.hot_fan_start_ticks), ("cold", guard.cold_fan_start_ticks))
    for name, start_ticks in fans:
        if start_ticks > 0:
            lines.append(
                f"- {name.capitalize()} fan: pulses of its tachometer, counted since the last "
                f"reading; none for {start_ticks} ticks is a standstill."
            )
    if guard.cut_off_mv > 0:
        lines.append("- Supply: hand over its voltage in mV; a battery is spared below a limit.")
    lines.append(
        f"- Fuse at the supply: {config.supply.fuse_a:g} A. A pull-down at the module's switch "
        "keeps it off while the processor starts."
    )
    lines.append(f"- One tick is {guard.tick_ms} ms.")
    return lines


def top_lines(
    config: Config, firmware: Firmware, *, version: str, digest: str, origins: Sequence[str]
) -> list[str]:
    """Return the comment on top of `main.c`; its first four lines stand in every written file."""
    name = config.cabinet.name.encode("ascii", "replace").decode("ascii")
    law = LAW_NAMES[type(firmware.law)]
    told = ["", "Where the settings come from:", *(f"- {line}" for line in origins)]
    return [
        f"Firmware of a thermoelectric cabinet: {name}.",
        f"Written by coldloop {version}, config digest {digest}.",
        f"Controller: {law}.",
        "",
        "Before you flash this:",
        *CAUTIONS,
        "",
        "Wiring that is taken for granted:",
        *wiring_lines(config, firmware),
        *(told if origins else []),
    ]


def readme_of(
    config: Config,
    top: Sequence[str],
    *,
    checksum: int,
    names: Sequence[str],
    class_b: Sequence[str],
) -> str:
    """Return README.txt: the same comment, how to build, what is left to the maker."""
    lines = [
        *top,
        "",
        "How to build it:",
        "- Write hardware.c: the functions of hardware.h, for your board.",
        "- Compile every .c file here as C99, optimised for size. For an 8-bit AVR: "
        f"avr-gcc -mmcu=YOURS -std=c99 -Os {' '.join(AVR_SIZE)} *.c",
        "- Flash or RAM short: -DCL_WITH_STATUS=0 leaves the status line out.",
        "- Any compiler of a little-endian processor will do; no heap, no floating point, no "
        "library. Settings lie in flash; port.h has the only words that depend on the compiler.",
        f"- Read back: the status line's k must show {checksum:04X}, the checksum of the settings.",
        "- Never change settings.c by hand: the checksum would no longer fit, and the module "
        "stays off. Change the config and write it anew.",
        "",
        "Measures against faults of the microcontroller (after IEC 60730-1 Annex H, class B; "
        "no conformity is claimed):",
        *class_b,
        "",
        "Files: " + ", ".join(names) + ".",
    ]
    return "\n".join(wrapped(lines)) + "\n"
