"""The largest firmware of each controller: every sensor, every option that goes together."""

import shutil
from pathlib import Path

import numpy as np

from ctrl.best_cop import BestCOPSettings
from ctrl.cascade import CascadeSettings
from ctrl.defrost import DEFROST_DEMAND, DefrostSettings
from ctrl.firmware import Firmware
from ctrl.firmware_layout import checksum_of, features_of, lay_out, pack
from ctrl.firmware_text import C_FOLDER, features_h, files_needed, settings_c
from ctrl.fixed import FixedSettings
from ctrl.on_off import OnOffSettings
from ctrl.pi import PISettings
from ctrl.pi_options import PIOptions
from ctrl.protection import ProtectionSettings
from ctrl.readings import SENSOR_DIGITAL, SENSOR_THERMISTOR, SensorSettings
from ctrl.slow_window import SlowWindowSettings
from ctrl.two_level import TwoLevelSettings

THERMISTOR = SensorSettings(
    kind=SENSOR_THERMISTOR, adc_bits=10, code_low=20, code_high=1003, offset_k100=10,
    jump_k100=2000, jump_k100_per_tick=50, fault_ticks=3, recover_ticks=5, latch_ticks=100,
    latch_count=20, table=tuple(range(9000, -4200, -400)),
)  # fmt: skip
DIGITAL = SensorSettings(
    kind=SENSOR_DIGITAL, adc_bits=12, code_low=-880, code_high=2000, offset_k100=-10,
    jump_k100=2000, jump_k100_per_tick=50, fault_ticks=3, recover_ticks=5, latch_ticks=100,
    latch_count=20, table=tuple([0] * 33),
)  # fmt: skip
PROTECTION = ProtectionSettings(
    control=THERMISTOR, hot=THERMISTOR, cold=DIGITAL, period_ticks=2, duty_limit_permille=900,
    slew_permille_per_tick=100, min_on_ticks=4, min_off_ticks=4, fold_start_c100=4500,
    fold_full_c100=5500, trip_c100=8000, hot_fan_run_on_ticks=10, cold_fan_with_module=1,
    hot_fan_start_ticks=4, cold_fan_start_ticks=4, fan_turn_ticks=3, cut_off_mv=11000,
    resume_mv=11800, battery_ticks=3,
    defrost=DefrostSettings(
        kind=DEFROST_DEMAND, interval_ticks=40, end_c100=300, hold_ticks=3, longest_ticks=40,
        drip_ticks=10, abort_c100=7000, share_permille=100, learn_ticks=20, settle_ticks=3,
        latest_ticks=200,
    ),
    window=SlowWindowSettings(12, 2),
)  # fmt: skip
LAWS = {
    "fixed": FixedSettings(700),
    "on_off": OnOffSettings(500, 50, 1000),
    "two_level": TwoLevelSettings(500, 50, 1000, 200),
    "pi": PISettings(
        500, 400_000, 4_000, 90_000,
        PIOptions(
            weight_q15=12345, schedule=((100, 300_000, 3000), (500, 400_000, 4000), (900, 1, 1)),
            slope_q20=20_000, smoothing_q24=200_000, ambient=DIGITAL,
        ),
    ),
    "cascade": CascadeSettings(
        500, -500, 400_000, 4_000, 90_000, 300_000, 3_000, 90_000, 500
    ),
    "best_cop": BestCOPSettings(
        500, 50, 400_000, 4_000, 90_000, 3000, (100, 200, 300, 400, 500, 600, 700, 800, 900)
    ),
}  # fmt: skip


def largest(law: str) -> Firmware:
    """Return the largest firmware of a controller, with a tick of 1 s."""
    return Firmware(law=LAWS[law], protection=PROTECTION, tick_s=1.0, conversion_ticks=(0, 0, 0))


def write_firmware(firmware: Firmware, folder: Path) -> Path:
    """Write a firmware's C files as an export has them; return the folder."""
    folder.mkdir()
    features = features_of(firmware.law, firmware.protection)
    block = lay_out(firmware.law, firmware.protection, features)
    packed = pack(block)
    for name in files_needed(features):
        shutil.copy(C_FOLDER / name, folder)
    (folder / "coldloop_features.h").write_text(features_h(features, len(packed)))
    (folder / "settings.c").write_text(settings_c(block, checksum_of(packed), ""))
    return folder


def wandering_codes(seed: int, ticks: int) -> np.ndarray:
    """Return codes for `PROTECTION`'s sensors that visit every state, shape (ticks, 7)."""
    rng = np.random.default_rng(seed)
    codes = np.empty((ticks, 7), dtype=np.int64)
    for column, (low, high) in enumerate(((0, 1023), (0, 1023), (-900, 2010), (10500, 13000),
                                          (-900, 2010))):  # fmt: skip
        pace = (high - low) / 50.0
        walk = np.cumsum(rng.normal(0.0, pace, ticks)) + 0.5 * (high - low)
        codes[:, column] = low + np.abs(walk % (2 * (high - low)) - (high - low))
    for _ in range(ticks // 100):
        column, at, long = rng.integers(0, 5), rng.integers(0, ticks), rng.integers(1, 12)
        codes[at : at + long, column] = rng.choice([0, 1360, 1023, 65535, -32768])
    codes[:, 5:] = rng.integers(0, 300, (ticks, 2))
    for at in rng.integers(0, ticks, ticks // 200):  # a fan stands still for a while
        codes[at : at + 12, rng.integers(5, 7)] = 0
    codes[:, 3] = np.maximum(codes[:, 3], 0)
    return codes
