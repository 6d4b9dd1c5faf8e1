"""The settings as they lie in the microcontroller's flash, and their checksum.

The C in `ctrl/firmware_c` has a structure for each settings class of this package.  Here is
their order once more, with widths and units: the same list writes `settings.c`, packs the
bytes that the checksum is taken over, and feeds the tests.  Within a structure come the
32-bit members first, then those of 16 bits, in a whole number of 32-bit words: so no
compiler of a little-endian processor puts a gap anywhere.
"""

import binascii
import struct
from collections.abc import Iterator
from dataclasses import dataclass

from ctrl.best_cop import BestCOPSettings
from ctrl.cascade import CascadeSettings
from ctrl.controllers import LawSettings
from ctrl.defrost import (
    DEFROST_DEMAND,
    DEFROST_NONE,
    DEFROST_REVERSED,
    DefrostSettings,
)
from ctrl.fixed import FixedSettings
from ctrl.fixed_point import INT16_MAX
from ctrl.on_off import OnOffSettings
from ctrl.pi import PISettings
from ctrl.pi_options import MOST_POINTS, PIOptions
from ctrl.protection_settings import ProtectionSettings
from ctrl.readings import SENSOR_DIGITAL, SENSOR_THERMISTOR, TABLE_POINTS, SensorSettings
from ctrl.slow_window import SlowWindowSettings
from ctrl.two_level import TwoLevelSettings

UINT16_MAX = 65535
RANGES = {
    "int32_t": (-(2**31), 2**31 - 1),
    "int16_t": (-INT16_MAX - 1, INT16_MAX),
    "uint16_t": (0, UINT16_MAX),
}
CODES = {"int32_t": "i", "int16_t": "h", "uint16_t": "H"}
CHECKSUM_START = 0xFFFF

LAW_NAMES = {
    FixedSettings: "fixed",
    OnOffSettings: "on_off",
    PISettings: "pi",
    TwoLevelSettings: "two_level",
    CascadeSettings: "cascade",
    BestCOPSettings: "best_cop",
}


@dataclass(frozen=True)
class Member:
    """One member of a structure in C.

    Attributes
    ----------
    width : str
        Its type in C: a key of `RANGES`.
    name : str
        Its name in C.
    values : tuple of int
        One value, or those of an array.
    unit : str
        For the comment beside it.
    """

    width: str
    name: str
    values: tuple[int, ...]
    unit: str

    def __post_init__(self) -> None:
        low, high = RANGES[self.width]
        for value in self.values:
            if not low <= value <= high:
                raise ValueError(
                    f"{self.name} = {value}: expected {low} to {high} {self.unit} to fit the "
                    f"firmware's {self.width}"
                )


@dataclass(frozen=True)
class Block:
    """A structure in C: members, and structures within it."""

    name: str
    parts: tuple["Member | Block", ...]

    def members(self) -> Iterator[Member]:
        """Yield every member, in the order of memory."""
        for part in self.parts:
            if isinstance(part, Member):
                yield part
            else:
                yield from part.members()


def _i32(name: str, value: int | tuple[int, ...], unit: str) -> Member:
    return Member("int32_t", name, value if isinstance(value, tuple) else (value,), unit)


def _i16(name: str, value: int | tuple[int, ...], unit: str) -> Member:
    return Member("int16_t", name, value if isinstance(value, tuple) else (value,), unit)


def _u16(name: str, value: int, unit: str) -> Member:
    return Member("uint16_t", name, (value,), unit)


Table = tuple[int, ...]


def tables_of(law: LawSettings, protection: ProtectionSettings) -> tuple[Table, ...]:
    """Return the tables of all thermistors fitted, each once."""
    sensors = [protection.control, protection.hot, protection.cold]
    if isinstance(law, PISettings):
        sensors.append(law.options.ambient)
    found = [part.table for part in sensors if part.kind == SENSOR_THERMISTOR]
    return tuple(dict.fromkeys(found))


def _table_words(count: int) -> int:
    """Return the 16-bit words of so many tables, in a whole number of 32-bit words."""
    return (count * TABLE_POINTS + 1) // 2 * 2


def sensor_block(name: str, part: SensorSettings, tables: tuple[Table, ...]) -> Block:
    """Return one sensor's settings; its counters hold at 65535, so no limit may lie above."""
    table = tables.index(part.table) if part.kind == SENSOR_THERMISTOR else 0
    if part.latch_ticks >= UINT16_MAX:
        raise ValueError(f"latch_ticks = {part.latch_ticks}: expected at most {UINT16_MAX - 1}")
    return Block(name, (
        _i32("code_low", part.code_low, "lowest believed code"),
        _i32("code_high", part.code_high, "highest believed code"),
        _u16("kind", part.kind, "0 absent, 1 thermistor, 2 digital"),
        _u16("adc_bits", part.adc_bits, "bit"),
        _i16("offset_k100", part.offset_k100, "1/100 K"),
        _i16("jump_k100", part.jump_k100, "1/100 K"),
        _i16("jump_k100_per_tick", part.jump_k100_per_tick, "1/100 K per tick"),
        _u16("fault_ticks", part.fault_ticks, "ticks"),
        _u16("recover_ticks", part.recover_ticks, "ticks"),
        _u16("latch_ticks", part.latch_ticks, "ticks"),
        _u16("latch_count", part.latch_count, "faults"),
        _u16("table", table * TABLE_POINTS, "where its table begins in tables"),
    ))  # fmt: skip


def _defrost_block(part: DefrostSettings) -> Block:
    return Block("defrost", (
        _i32("interval_ticks", part.interval_ticks, "ticks from start to start"),
        _i32("longest_ticks", part.longest_ticks, "ticks of melting"),
        _i32("drip_ticks", part.drip_ticks, "ticks"),
        _i32("learn_ticks", part.learn_ticks, "ticks"),
        _i32("pause_ticks", part.pause_ticks, "ticks"),
        _i32("latest_ticks", part.latest_ticks, "ticks from start to start"),
        _u16("kind", part.kind, "0 none, 1 timed, 2 off-cycle, 3 demand, 4 reversed"),
        _u16("hold_ticks", part.hold_ticks, "ticks"),
        _u16("settle_ticks", part.settle_ticks, "ticks"),
        _i16("end_c100", part.end_c100, "1/100 deg C"),
        _i16("abort_c100", part.abort_c100, "1/100 deg C; -32768 never"),
        _i16("share_permille", part.share_permille, "1/1000"),
        _i16("reverse_permille", part.reverse_permille, "1/1000"),
        _i16("ramp_permille", part.ramp_permille, "1/1000 per tick"),
    ))  # fmt: skip


def _window_block(part: SlowWindowSettings) -> Block:
    return Block("window", (
        _i16("window_ticks", part.window_ticks, "ticks; 0 none"),
        _i16("min_ticks", part.min_ticks, "ticks"),
    ))  # fmt: skip


def _protection_block(part: ProtectionSettings, tables: tuple[Table, ...]) -> Block:
    """Return the protections' settings; off-ticks hold at 65535, so no run-on may get there."""
    if part.hot_fan_run_on_ticks >= UINT16_MAX:
        raise ValueError(
            f"hot_fan_run_on_ticks = {part.hot_fan_run_on_ticks}: expected at most "
            f"{UINT16_MAX - 1} ticks"
        )
    return Block("protection", (
        _i32("cut_off_mv", part.cut_off_mv, "mV; 0 no such limit"),
        _i32("resume_mv", part.resume_mv, "mV"),
        _u16("min_on_ticks", part.min_on_ticks, "ticks"),
        _u16("min_off_ticks", part.min_off_ticks, "ticks"),
        _u16("hot_fan_run_on_ticks", part.hot_fan_run_on_ticks, "ticks"),
        _u16("tick_ms", part.tick_ms, "ms"),
        _u16("period_ticks", part.period_ticks, "ticks"),
        _i16("duty_limit_permille", part.duty_limit_permille, "1/1000"),
        _i16("slew_permille_per_tick", part.slew_permille_per_tick, "1/1000 per tick"),
        _u16("switch_only", part.switch_only, "1 only on or off"),
        _i16("fold_start_c100", part.fold_start_c100, "1/100 deg C"),
        _i16("fold_full_c100", part.fold_full_c100, "1/100 deg C"),
        _i16("trip_c100", part.trip_c100, "1/100 deg C"),
        _u16("cold_fan_with_module", part.cold_fan_with_module, "1 yes"),
        _u16("battery_ticks", part.battery_ticks, "ticks"),
        _u16("hot_fan_start_ticks", part.hot_fan_start_ticks, "ticks; 0 no tachometer"),
        _u16("cold_fan_start_ticks", part.cold_fan_start_ticks, "ticks; 0 no tachometer"),
        _u16("fan_turn_ticks", part.fan_turn_ticks, "ticks"),
        _defrost_block(part.defrost),
        sensor_block("control", part.control, tables),
        sensor_block("hot", part.hot, tables),
        sensor_block("cold", part.cold, tables),
        _window_block(part.window),
    ))  # fmt: skip


GAIN_UNIT = "2^-20 permille per 1/100 K"


def _options_block(part: PIOptions, tables: tuple[Table, ...]) -> Block:
    points = part.schedule + ((0, 0, 0),) * (MOST_POINTS - len(part.schedule))
    return Block("options", (
        _i32("schedule_kp_q20", tuple(kp for _, kp, _ in points), GAIN_UNIT),
        _i32("schedule_ki_q20", tuple(ki for _, _, ki in points), GAIN_UNIT + " and period"),
        _i32("slope_q20", part.slope_q20, GAIN_UNIT + "; 0 none"),
        _i32("smoothing_q24", part.smoothing_q24, "2^-24"),
        _i16("schedule_permille", tuple(duty for duty, _, _ in points), "1/1000"),
        _u16("points", len(part.schedule), "points in use"),
        _u16("weight_q15", part.weight_q15, "2^-15"),
        _u16("reserved", 0, "0"),
        sensor_block("ambient", part.ambient, tables),
    ))  # fmt: skip


def _pi_parts(
    part: PISettings, with_options: bool, tables: tuple[Table, ...]
) -> tuple[Member | Block, ...]:
    own = (
        _i32("kp_q20", part.kp_q20, GAIN_UNIT),
        _i32("ki_q20", part.ki_q20, GAIN_UNIT + " and period"),
        _i32("reset_q24", part.reset_q24, "2^-24"),
        _i16("setpoint_c100", part.setpoint_c100, "1/100 deg C"),
        _i16("reserved", 0, "0"),
    )
    return (*own, _options_block(part.options, tables)) if with_options else own


def _thermostat_parts(part: OnOffSettings | TwoLevelSettings) -> tuple[Member | Block, ...]:
    band = (
        _i16("setpoint_c100", part.setpoint_c100, "1/100 deg C"),
        _i16("half_band_k100", part.half_band_k100, "1/100 K"),
    )
    if isinstance(part, OnOffSettings):
        return (*band, _i16("on_permille", part.on_permille, "1/1000"), _i16("reserved", 0, "0"))
    return (
        *band,
        _i16("high_permille", part.high_permille, "1/1000"),
        _i16("idle_permille", part.idle_permille, "1/1000"),
    )


def _cascade_parts(part: CascadeSettings) -> tuple[Member | Block, ...]:
    return (
        _i32("outer_kp_q18", part.outer_kp_q18, "2^-18"),
        _i32("outer_ki_q18", part.outer_ki_q18, "2^-18"),
        _i32("outer_reset_q24", part.outer_reset_q24, "2^-24"),
        _i32("kp_q20", part.kp_q20, GAIN_UNIT),
        _i32("ki_q20", part.ki_q20, GAIN_UNIT + " and period"),
        _i32("reset_q24", part.reset_q24, "2^-24"),
        _i16("setpoint_c100", part.setpoint_c100, "1/100 deg C"),
        _i16("floor_c100", part.floor_c100, "1/100 deg C"),
        _i16("blind_permille", part.blind_permille, "1/1000"),
        _i16("reserved", 0, "0"),
    )


def _best_cop_parts(part: BestCOPSettings) -> tuple[Member | Block, ...]:
    return (
        _i32("kp_q20", part.kp_q20, GAIN_UNIT),
        _i32("ki_q20", part.ki_q20, GAIN_UNIT + " and period"),
        _i32("reset_q24", part.reset_q24, "2^-24"),
        _i16("setpoint_c100", part.setpoint_c100, "1/100 deg C"),
        _i16("half_band_k100", part.half_band_k100, "1/100 K"),
        _i16("assumed_k100", part.assumed_k100, "1/100 K"),
        _i16("table_permille", part.table_permille, "1/1000 at 0, 10, ... 80 K"),
    )


def _law_block(law: LawSettings, with_options: bool, tables: tuple[Table, ...]) -> Block:
    if isinstance(law, PISettings):
        parts = _pi_parts(law, with_options, tables)
    elif isinstance(law, OnOffSettings | TwoLevelSettings):
        parts = _thermostat_parts(law)
    elif isinstance(law, CascadeSettings):
        parts = _cascade_parts(law)
    elif isinstance(law, BestCOPSettings):
        parts = _best_cop_parts(law)
    elif isinstance(law, FixedSettings):
        duty = _i16("duty_permille", law.duty_permille, "1/1000")
        parts = (duty, _i16("reserved", 0, "0"))
    else:
        raise ValueError(f"{type(law).__name__}: expected settings of a law that is written in C")
    return Block("law", parts)


@dataclass(frozen=True)
class Features:
    """What is compiled into an export, and what is left out.

    Attributes
    ----------
    law : str
        Name of the law.
    defrost, demand, reversed_defrost, pi_options : bool
        Any defrost; that on demand; with reversed current; schedule, weight, feed-forward.
    window, thermistor, digital : bool
        A slow window; sensors of either kind.
    tachometer : bool
        A fan that tells whether it turns.
    table_words : int
        Room for the thermistors' tables [16-bit words].
    """

    law: str
    defrost: bool = True
    demand: bool = True
    reversed_defrost: bool = True
    pi_options: bool = True
    window: bool = True
    thermistor: bool = True
    digital: bool = True
    tachometer: bool = True
    table_words: int = 4 * TABLE_POINTS

    def as_defines(self) -> dict[str, int]:
        """Return the switches of `coldloop_features.h`."""
        return {
            "CL_WITH_DEFROST": int(self.defrost),
            "CL_WITH_DEMAND": int(self.demand),
            "CL_WITH_REVERSED": int(self.reversed_defrost),
            "CL_WITH_PI_OPTIONS": int(self.pi_options),
            "CL_WITH_WINDOW": int(self.window),
            "CL_WITH_THERMISTOR": int(self.thermistor),
            "CL_WITH_DIGITAL": int(self.digital),
            "CL_WITH_TACHOMETER": int(self.tachometer),
            "CL_TABLE_WORDS": self.table_words,
        }


def features_of(law: LawSettings, protection: ProtectionSettings) -> Features:
    """Return what these settings need."""
    kind = protection.defrost.kind
    sensors = [protection.control.kind, protection.hot.kind, protection.cold.kind]
    if isinstance(law, PISettings):
        sensors.append(law.options.ambient.kind)
    return Features(
        law=LAW_NAMES[type(law)],
        defrost=kind != DEFROST_NONE,
        demand=kind == DEFROST_DEMAND,
        reversed_defrost=kind == DEFROST_REVERSED,
        pi_options=isinstance(law, PISettings) and law.options.in_use,
        window=protection.window.window_ticks > 0,
        thermistor=SENSOR_THERMISTOR in sensors,
        digital=SENSOR_DIGITAL in sensors,
        tachometer=protection.hot_fan_start_ticks + protection.cold_fan_start_ticks > 0,
        table_words=_table_words(len(tables_of(law, protection))),
    )


def lay_out(law: LawSettings, protection: ProtectionSettings, features: Features) -> Block:
    """Return the settings in the order of `coldloop_settings` in C.

    Raises
    ------
    ValueError
        With one line, for a value that does not fit its width.
    """
    tables = tables_of(law, protection)
    parts: list[Member | Block] = [
        _protection_block(protection, tables),
        _law_block(law, features.pi_options, tables),
    ]
    if features.thermistor:
        words = tuple(word for table in tables for word in table)
        words += (0,) * (features.table_words - len(words))
        unit = "1/100 deg C, each evenly over the converter's span"
        parts.append(_i16("tables", words, unit))
    return Block("cl_settings", tuple(parts))


def pack(block: Block) -> bytes:
    """Return the settings byte by byte as they lie in a little-endian memory."""
    parts = [
        struct.pack(f"<{len(member.values)}{CODES[member.width]}", *member.values)
        for member in block.members()
    ]
    return b"".join(parts)


def checksum_of(packed: bytes) -> int:
    """Return the CRC-16 of the settings: polynomial 0x1021, start 0xFFFF, not reflected."""
    return binascii.crc_hqx(packed, CHECKSUM_START)
