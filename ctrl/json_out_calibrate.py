"""What `calibrate --json` prints."""

from typing import Any

from ctrl.calibrate import Calibration
from ctrl.calibrate_tests import BenchTest
from ctrl.json_out_base import Object, opening


def of_calibration(found: Calibration, tests: tuple[BenchTest, ...], version: str) -> Object:
    """Return the object of `calibrate --json`."""
    log, trusted = found.log, not found.distrust
    return opening("calibrate", found.config, version) | {
        "log_name": log.name,
        "log_sha256": log.sha256,
        "length_h": log.span_s / 3600.0,
        "rows": log.counts["rows"],
        "outliers": log.counts["outliers"],
        "duplicates": log.counts["duplicates"],
        "clock_resets": log.counts["clock_resets"],
        "gaps": log.counts["gaps"],
        "trusted": trusted,
        "distrust": list(found.distrust),
        "notes": [*found.setup.notes, *found.doubts],
        "lumps": [
            {"name": item.name, "unit": item.unit, "value": item.value, "error": item.error,
             "interval_low": item.interval[0] if trusted else None,
             "interval_high": item.interval[1] if trusted else None,
             "before": item.before, "told": item.told}
            for item in found.lumps
        ],
        "estimates": [
            {"key": f"twin.{item.key}", "unit": item.unit, "value": item.value,
             "error": item.error, "told": item.told, "at_bound": item.at_bound,
             "is_lump": item.is_lump,
             "left_of_prior": item.ratio}
            for item in found.estimates
        ],
        "frost": None if found.frost is None else {
            "growth_per_h": found.frost.per_h, "error": found.frost.error,
            "below_zero_h": found.frost.all_hours, "melts": found.frost.melts,
        },
        "not_told": [item.words for item in found.untold],
        "correlations": found.correlation.tolist(),
        "channels": [_channel(found, name, k) for k, name in enumerate(found.whiteness)],
        "tail_from_h": found.tail_from_s / 3600.0,
        "start_costs": [start.cost for start in found.starts],
        "seed": found.seed,
        "next_tests": [
            {"name": test.name, "what": test.words, "length_h": test.hours,
             "gains": [{"name": gain.name, "spread_before": gain.before,
                        "spread_after": gain.after} for gain in test.gains]}
            for test in tests
        ],
    }  # fmt: skip


def _channel(found: Calibration, name: str, k: int) -> dict[str, Any]:
    white, misfit = found.whiteness[name], found.misfits[k]
    return {
        "name": name,
        "tail_rms": found.tail_rms.get(name),
        "tail_rms_before": found.before_rms.get(name),
        "fit_rms": white.rms,
        "noise": misfit.noise,
        "misfit_size": misfit.size,
        "fades_s": misfit.fades_s,
        "blocks": white.blocks,
        "effective_blocks": white.effective,
        "lag_one": white.lag_one,
        "lag_one_whitened": white.lag_one_whitened,
        "ljung_box_p": white.ljung_box_p,
    }
